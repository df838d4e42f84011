// SPDX-License-Identifier: GPL-3.0-or-later
// A bench that the plain implementation plays: pulls go in, the tip comes out.
#pragma once

#include <optional>
#include <vector>

#include "planner/elastic/follow_plan.h"
#include "tests/planner/elastic/elastic_designs.h"

namespace withy_test {

/// Plays a plan for `planned` to the plain body of `plant`, up to the reached state.
class PlainPlant {
 public:
  /// `step_mm`: of the ideal tip's way.
  PlainPlant(const withy::Design& plant, const withy::Design& planned, const withy::Plan& plan,
             double step_mm)
      : shooting_(plain_of(plant)), planned_(planned), plan_(plan), step_mm_(step_mm) {}

  /// The tip there; nothing where the plain implementation gives up.
  std::optional<Eigen::Vector3d> tip_E(const withy::PullCorrections& corrections) {
    at_ = shooting_.step(shooting_.straight(), 0.0, shooting_.straight().pull_mm);
    for (const withy::PlannedAction& action : plan_.actions) {
      play(action, corrections);
      if (!at_) return std::nullopt;
      if (action.to == plan_.reached_state) break;
    }
    return at_->tip_E;
  }

 private:
  const withy::State& state(int i) const { return plan_.states[static_cast<std::size_t>(i)]; }

  void play(const withy::PlannedAction& action, const withy::PullCorrections& corrections) {
    const bool locks = action.kind == withy::ActionKind::lock;
    if (!locks && action.kind != withy::ActionKind::unlock)
      return lead(state(action.from), state(action.to), action.from, action.to, corrections);
    const auto sweep = withy::sweep_states(planned_, state(action.from), action);
    for (std::size_t i = 1; i < sweep.size(); ++i)
      lead(sweep[i - 1], sweep[i], action.from, action.from, corrections);
    if (at_) at_ = locks ? shooting_.engage(*at_, action.lock) : shooting_.release(*at_, action.lock);
  }

  void lead(const withy::State& from, const withy::State& to, int from_state, int to_state,
            const withy::PullCorrections& corrections) {
    const int steps = withy::steps_of_motion(planned_, from, to, step_mm_);
    for (int i = 1; at_ && i <= steps; ++i) {
      const double t = static_cast<double>(i) / steps;
      const withy::State ideal = withy::interpolate(from, to, t);
      Eigen::VectorXd pull = withy::ideal_pulls(planned_, ideal);
      pull += corrections.between(from_state, to_state, t, pull.size());
      at_ = shooting_.step(*at_, ideal.insertion_mm, std::vector<double>(pull.begin(), pull.end()));
    }
  }

  withy_plain::Shooting shooting_;
  const withy::Design& planned_;
  const withy::Plan& plan_;
  double step_mm_;
  std::optional<withy_plain::ElasticBody> at_;
};

}  // namespace withy_test
