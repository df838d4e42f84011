// SPDX-License-Identifier: GPL-3.0-or-later
// States that hold the goal where every bend can be frozen.
//
// Leaves of friction locks have two coordinates more for every engaged lock, so goal states are no points of
// them but surfaces. From a few bends of each frozen region, and a few curvatures of the free one,
// Gauss-Newton steps of least norm (J. Nocedal and S. J. Wright, "Numerical Optimization", 2nd ed., 2006,
// section 10.3; of an underdetermined system, as here, the shortest solution) on all coordinates at once lead
// to a goal state near by. It may miss goal states; those it gives hold the goal and the limits of curvature
// and insertion. Neither walls nor hardware are looked at.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/problem.h"

namespace withy {

/// Precondition: the chart's kind is `everything`. `go_on` is told what work (quarters of a microsecond) was
/// done since it was asked last; where it says no, what was found until then is returned.
std::vector<State> friction_goal_states(const Design& design, const BendChart& chart, const Goal& goal,
                                        int engaged, const std::function<bool(std::int64_t)>& go_on);

}  // namespace withy
