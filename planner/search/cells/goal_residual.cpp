// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/goal_residual.h"

#include "planner/segment/shape.h"

namespace withy {

namespace {

// What of the direction's tolerance is aimed at, and what a radian beyond it weighs: so much that the point,
// which has a tolerance of its own, gives way.
constexpr double kDirectionShare = 0.9;
constexpr double kDirectionLever_mm = 100.0;

}  // namespace

GoalResidual goal_residual(const Design& design, const Goal& goal, const State& state) {
  const Eigen::Isometry3d tip = Shape(design, state).tip_E();
  GoalResidual r = GoalResidual::Zero();
  r.head<3>() = tip.translation() - (goal.region ? goal.region->ahead_of(tip.translation()) : goal.point_E);
  const double off = goal.direction_error(tip);
  const double allowed = kDirectionShare * goal.direction_tolerance_rad;
  if (off > allowed)
    r.tail<3>() = kDirectionLever_mm * (1.0 - allowed / off) * (tip.linear().col(2) - *goal.direction_E);
  return r;
}

}  // namespace withy
