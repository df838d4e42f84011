// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/nearest_state.h"

#include "planner/segment/shape.h"

namespace withy {

NearestState::NearestState(const Design& design, const Goal& goal, const State& start)
    : design_(design), goal_(goal), nearest_(start), distance_mm_(distance_of(nearest_)) {}

double NearestState::distance_of(const State& state) const {
  return goal_.distance(Shape(design_, state).tip_E());
}

void NearestState::visit(const State& state) {
  const double distance = distance_of(state);
  if (!(distance < distance_mm_)) return;
  distance_mm_ = distance;
  nearest_ = state;
}

}  // namespace withy
