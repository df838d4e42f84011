// SPDX-License-Identifier: GPL-3.0-or-later
// One motion: does it keep its limits and its distance from the wall all the way?
//
// A motion moves insertion and the free curvature linearly and keeps every frozen bend. Over a share [t0, t1]
// of it the states lie in a box, and the stations of a part of the body in balls about its places (body.h).
// Clear is: in each such ball D - R is at least what is asked for. Motion and body are cut until it is.
#pragma once

#include <functional>

#include "planner/proof/plans/plan_states.h"

namespace withy::recheck {

struct Step {
  StateBox from;
  StateBox to;
  std::shared_ptr<const Body> body;
};

/// The states of a share of the motion.
StateBox between(const Step& step, double t0, double t1);

/// Every limit, over the whole motion.
Finding limits_hold(const Step& step, const Limits& limits);

/// Proves D - R >= need over the whole motion, body and shaft. False where it can't, or where `stop` says so.
bool is_clear(const Step& step, double need, const Wall& wall, const std::function<bool()>& stop);

}  // namespace withy::recheck
