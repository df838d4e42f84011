// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/goal_descent.h"

#include <algorithm>

#include "planner/effort/shares.h"
#include "planner/search/cells/compass_search.h"
#include "planner/segment/tip_pose.h"

namespace withy {

namespace {

// What of the tolerance is aimed at, so that rounding does not miss it.
constexpr double kShare = 0.98;

double miss_per_rad(const Goal& goal) {
  return goal.direction_tolerance_rad > 0.0 ? goal.tolerance_mm / goal.direction_tolerance_rad : 1.0;
}

}  // namespace

double goal_miss(const Design& design, const Goal& goal, const State& state) {
  const Eigen::Isometry3d tip = tip_pose_E(design, state);
  const double off = std::max(0.0, goal.distance(tip) - kShare * goal.tolerance_mm);
  if (!goal.direction_E) return off;
  const double turn = std::max(0.0, goal.direction_error(tip) - kShare * goal.direction_tolerance_rad);
  return off + turn * miss_per_rad(goal);
}

namespace {

/// By how much one round of a compass search may lessen the miss, each coordinate moved by one step: lemma
/// 3's levers for a body at the curvature limit, of the place and of the direction.
double most_per_round(const Design& design, const Goal& goal, const GoalDescent& descent) {
  const double l = design.length_mm();
  const double kappa = design.segment().curvature_max_per_mm;
  const double dd = descent.insertion_step_mm;
  const double du = 2.0 * descent.curvature_step_per_mm;
  const bool guide = design.carriage().kind == CarriageKind::guide;
  const double place = dd * (guide ? 1.0 + kappa * l : 1.0) + du * 0.5 * l * l;
  return goal.direction_E ? place + miss_per_rad(goal) * ((guide ? kappa * dd : 0.0) + du * l) : place;
}

}  // namespace

std::optional<State> descend_to_goal(const Design& design, const Goal& goal, const State& from,
                                     const GoalDescent& descent) {
  const double du = descent.curvature_step_per_mm;
  const double round = most_per_round(design, goal, descent);
  const double may_miss = (goal.direction_E ? 2.0 : 1.0) * (1.0 - kShare) * goal.tolerance_mm;
  const State best = compass_search(
      descent.within(from), 0.0, {{descent.insertion_step_mm, du, du}, shares::kGoalRounds},
      [&](const State& state) { return goal_miss(design, goal, state); },
      [&](const State& state, int) { return descent.within(state); }, [](const State&) { return true; },
      [&](double miss, double share, int rounds) { return miss - may_miss > share * rounds * round; });
  // Where a tolerance is 0 the share of it is no help.
  if (!goal.holds(tip_pose_E(design, best))) return std::nullopt;
  return best;
}

}  // namespace withy
