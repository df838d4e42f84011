// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/nearest_approach.h"

#include <algorithm>
#include <cmath>
#include <memory>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/search/route/nearest_state.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// A motion that is not allowed whole is followed as far as this share of it.
constexpr double kShare = 1.0 / 1024.0;
// Up to this many times the wanted direction is still asked for.
constexpr double kKeepsDirection = 4.0;

class Follower {
 public:
  explicit Follower(const StepJudge& judge)
      : judge_(judge), nearest_(judge.problem().design, judge.problem().goal) {}

  std::optional<Approach> run(const Route& route, const Effort& effort) {
    for (std::size_t i = 0; i < route.steps.size(); ++i) {
      if (effort.cut_short()) return std::nullopt;
      const RouteStep& step = route.steps[i];
      const State& before = route.state_before(i);
      if (step.lock >= 0) {
        if (!judge_.switch_allowed(before, step.lock, step.to))
          return stopped(
              fmt::format("lock {} can't be {} there", step.lock + 1, step.engages ? "locked" : "unlocked"));
      } else if (!judge_.motion_allowed(before, step.to)) {
        nearest_.visit(last_allowed(before, step.to));
        return stopped(judge_.objection(before, step.to));
      }
      nearest_.visit(step.to);
    }
    return std::nullopt;
  }

 private:
  State last_allowed(const State& from, const State& to) const {
    double allowed = 0.0;
    for (double step = 0.5; step >= kShare; step *= 0.5)
      if (judge_.motion_allowed(from, interpolate(from, to, allowed + step))) allowed += step;
    return interpolate(from, to, allowed);
  }

  Approach stopped(std::string blocked_by) const {
    return {nearest_.distance_mm(), {nearest_.state()}, std::move(blocked_by)};
  }

  const StepJudge& judge_;
  NearestState nearest_;
};

/// The part of a ball that lies past the entry plane. Each of both distances is 1-Lipschitz, and so is the
/// larger.
class BallWithin final : public TipRegion {
 public:
  BallWithin(const Eigen::Vector3d& centre_E, double radius_mm)
      : centre_E_(centre_E), radius_mm_(radius_mm) {}

  double outside_mm(const Eigen::Vector3d& p_E) const override {
    return std::max((p_E - centre_E_).norm() - radius_mm_, -p_E.z());
  }
  Eigen::Vector3d ahead_of(const Eigen::Vector3d&) const override { return centre_E_; }

 private:
  Eigen::Vector3d centre_E_;
  double radius_mm_;
};

/// Widens a goal's tolerance, to places that count as near.
void widen(Goal& goal, double times) {
  const double radius = times * goal.tolerance_mm;
  if (goal.point_E.z() < 0.0 || goal.point_E.z() >= radius) {
    goal.tolerance_mm = radius;
    return;
  }
  goal.region = std::make_shared<BallWithin>(goal.point_E, radius);
  goal.tolerance_mm = 0.0;
}

/// What keeps the end of a plan to a wider target from being a plan to the target.
std::string what_is_missing(const Goal& asked, const Eigen::Isometry3d& tip) {
  if (asked.direction_error(tip) > asked.direction_tolerance_rad)
    return fmt::format("the tip points {:.0f} degrees off the wanted direction ({:.0f} are allowed)",
                       degrees(asked.direction_error(tip)), degrees(asked.direction_tolerance_rad));
  return fmt::format("no plan brings the tip within {:.4g} mm", asked.tolerance_mm);
}

}  // namespace

std::optional<Approach> approach_along(const StepJudge& judge, const Route& route, const Effort& effort) {
  return Follower(judge).run(route, effort);
}

std::optional<Approach> approach_with_tolerance(const SearchProblem& problem, const Effort& effort) {
  RouteSearchSettings settings;
  settings.spans = true;
  settings.effort = effort;
  for (double times = 2.0; times <= shares::kApproachWidest && !effort.cut_short(); times *= 2.0) {
    SearchProblem wider = problem;
    widen(wider.goal, times);
    if (times > kKeepsDirection) wider.goal.direction_E.reset();
    RouteSearch search(wider, settings);
    if (search.run(wider.goal) != SearchOutcome::found || search.route().steps.empty()) continue;
    const State& end = search.route().steps.back().to;
    const Eigen::Isometry3d tip = Shape(problem.design, end).tip_E();
    if (!counts_as_near(problem.goal, tip)) continue;
    Approach approach;
    approach.distance_mm = problem.goal.distance(tip);
    static_cast<State&>(approach.state) = end;
    approach.blocked_by = what_is_missing(problem.goal, tip);
    return approach;
  }
  return std::nullopt;
}

}  // namespace withy
