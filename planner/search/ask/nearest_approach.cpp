// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/nearest_approach.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>

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
// A narrower cone of directions (5 degrees) is widened as if it were this, so that the widest target has any.
constexpr double kLeastCone_rad = std::numbers::pi / 36.0;

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

/// Widens both tolerances of a goal, to places that count as near.
void widen(Goal& goal, double times) {
  goal.direction_tolerance_rad = times * std::max(goal.direction_tolerance_rad, kLeastCone_rad);
  if (goal.direction_tolerance_rad >= std::numbers::pi) goal.direction_E.reset();
  const double radius = times * goal.tolerance_mm;
  if (goal.point_E.z() < 0.0 || goal.point_E.z() >= radius) {
    goal.tolerance_mm = radius;
    return;
  }
  goal.region = std::make_shared<BallWithin>(goal.point_E, radius);
  goal.tolerance_mm = 0.0;
}

bool points_as_asked(const Goal& asked, const Eigen::Isometry3d& tip) {
  return asked.direction_error(tip) <= asked.direction_tolerance_rad;
}

/// What keeps the end of a plan to a wider target from being a plan to the target.
std::string what_is_missing(const Goal& asked, const Eigen::Isometry3d& tip) {
  if (!points_as_asked(asked, tip)) return direction_miss(asked, tip);
  return fmt::format("no plan brings the tip within {:.4g} mm", asked.tolerance_mm);
}

/// How many times the target's tolerances a tip is off it: the larger of both.
double times_off(const Goal& asked, const Eigen::Isometry3d& tip) {
  const double off = asked.distance(tip) / asked.tolerance_mm;
  if (!asked.direction_E || points_as_asked(asked, tip)) return off;
  return std::max(off, asked.direction_error(tip) / std::max(asked.direction_tolerance_rad, kLeastCone_rad));
}

/// Looks for plans to wider targets, and keeps the end that is the fewest times the tolerances off.
class WiderTargets {
 public:
  WiderTargets(const SearchProblem& problem, const Effort& effort) : problem_(problem), effort_(effort) {}

  /// With so many switches at most: wider and wider targets until one has a plan, then narrower ones for as
  /// long as these have one.
  void look(int most_switches) {
    RouteSearchSettings settings;
    settings.spans = true;
    settings.effort = effort_;
    settings.most_switches = most_switches;
    RouteSearch search(problem_, settings);
    for (double times = 2.0; times <= shares::kApproachWidest && times < off_; times *= 2.0)
      if (reached(search, times)) break;
    const auto nearer = [&] {
      // Without a switch what finds nothing is soon done.
      return reached(search, kNearer * off_) || (most_switches == 0 && reached(search, kLittleNearer * off_));
    };
    while (nearest_ && nearer()) continue;
  }

  const std::optional<Approach>& nearest() const { return nearest_; }

 private:
  // What is looked for next is nearer than what was found by these shares.
  static constexpr double kNearer = 0.7;
  static constexpr double kLittleNearer = 0.85;

  /// Is there a plan to a target so many times as wide, and is its end kept?
  bool reached(RouteSearch& search, double times) {
    Goal goal = problem_.goal;
    widen(goal, times);
    if (effort_.cut_short() || search.run(goal, effort_.work()) != SearchOutcome::found ||
        search.route().steps.empty())
      return false;
    const State& end = search.route().steps.back().to;
    const Eigen::Isometry3d tip = Shape(problem_.design, end).tip_E();
    const double off = times_off(problem_.goal, tip);
    if (!counts_as_near(problem_.goal, tip) || !(off < off_)) return false;
    off_ = off;
    nearest_.emplace();
    nearest_->distance_mm = problem_.goal.distance(tip);
    static_cast<State&>(nearest_->state) = end;
    nearest_->blocked_by = what_is_missing(problem_.goal, tip);
    return true;
  }

  const SearchProblem& problem_;
  const Effort& effort_;
  std::optional<Approach> nearest_;
  double off_ = kInfinity;  ///< times the tolerances, of its end
};

}  // namespace

bool nearer_than(const SearchProblem& problem, const Approach& a, double times, const Approach& b) {
  const auto off = [&](const Approach& approach) {
    return times_off(problem.goal, Shape(problem.design, approach.state).tip_E());
  };
  return times * off(a) < off(b);
}

std::optional<Approach> approach_along(const StepJudge& judge, const Route& route, const Effort& effort) {
  return Follower(judge).run(route, effort);
}

std::optional<Approach> approach_with_tolerance(const SearchProblem& problem, const Effort& effort) {
  WiderTargets targets(problem, effort);
  // The free leaf alone is soon searched, and often comes near where ways with many locks are hard to find.
  targets.look(0);
  if (problem.design.lock_count() > 0) targets.look(RouteSearchSettings::kAnySwitches);
  return targets.nearest();
}

}  // namespace withy
