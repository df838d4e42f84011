// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/nearest_state.h"

#include "planner/segment/shape.h"

namespace withy {

bool counts_as_near(const Goal& goal, const Eigen::Isometry3d& tip_E) {
  return tip_E.translation().z() >= 0.0 || goal.point_E.z() < 0.0;
}

NearestState::NearestState(const Design& design, const Goal& goal, const State& start)
    : design_(design), goal_(goal), nearest_(start), distance_mm_(distance_of(nearest_)) {}

double NearestState::distance_of(const State& state) const {
  return goal_.distance(Shape(design_, state).tip_E());
}

void NearestState::visit(const State& state) {
  const Eigen::Isometry3d tip_E = Shape(design_, state).tip_E();
  const double distance = goal_.distance(tip_E);
  if (!(distance < distance_mm_) || !counts_as_near(goal_, tip_E)) return;
  distance_mm_ = distance;
  nearest_ = state;
}

}  // namespace withy
