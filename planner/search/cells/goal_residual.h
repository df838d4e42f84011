// SPDX-License-Identifier: GPL-3.0-or-later
// By how much a state misses the goal, as numbers that least squares can work on.
#pragma once

#include <Eigen/Core>

#include "planner/search/problem.h"
#include "planner/segment/state.h"

namespace withy {

using GoalResidual = Eigen::Matrix<double, 6, 1>;

/// The tip's miss in mm: of the point, and of the direction so far as it is out of tolerance.
GoalResidual goal_residual(const Design& design, const Goal& goal, const State& state);

}  // namespace withy
