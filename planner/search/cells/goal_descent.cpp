// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/goal_descent.h"

#include <algorithm>

#include "planner/effort/shares.h"
#include "planner/search/cells/compass_search.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// What of the tolerance is aimed at, so that rounding does not miss it.
constexpr double kShare = 0.98;

}  // namespace

double goal_miss(const Design& design, const Goal& goal, const State& state) {
  const Eigen::Isometry3d tip = Shape(design, state).tip_E();
  const double off = std::max(0.0, goal.distance(tip) - kShare * goal.tolerance_mm);
  if (!goal.direction_E) return off;
  const double turn = std::max(0.0, goal.direction_error(tip) - kShare * goal.direction_tolerance_rad);
  const double per_rad =
      goal.direction_tolerance_rad > 0.0 ? goal.tolerance_mm / goal.direction_tolerance_rad : 1.0;
  return off + turn * per_rad;
}

std::optional<State> descend_to_goal(const Design& design, const Goal& goal, const State& from,
                                     const GoalDescent& descent) {
  const double du = descent.curvature_step_per_mm;
  const State best = compass_search(
      descent.within(from), 0.0, {{descent.insertion_step_mm, du, du}, shares::kGoalRounds},
      [&](const State& state) { return goal_miss(design, goal, state); },
      [&](const State& state, int) { return descent.within(state); }, [](const State&) { return true; });
  // Where a tolerance is 0 the share of it is no help.
  if (!goal.holds(Shape(design, best).tip_E())) return std::nullopt;
  return best;
}

}  // namespace withy
