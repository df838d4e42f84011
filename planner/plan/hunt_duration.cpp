// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/hunt_duration.h"

#include <cassert>

#include "planner/plan/lock_hunt.h"
#include "planner/segment/tendons.h"

namespace withy {

double hunt_duration_s(const Actuation& actuation, const Design& design, const State& before, int lock) {
  assert(design.tendons());
  double time = 0.0;
  Eigen::VectorXd last;
  for (const State& state : hunt_states(design, before, lock, lock_hunt_track(design, before, lock))) {
    const Eigen::VectorXd pull = tendon_pulls(design, regions_of(design, state), state.insertion_mm);
    if (last.size() > 0) time += (pull - last).cwiseAbs().maxCoeff() / actuation.tendon_mm_per_s;
    last = pull;
  }
  return time;
}

}  // namespace withy
