// SPDX-License-Identifier: GPL-3.0-or-later
// Where a state's tip is, for searches that ask nothing else of it.
#pragma once

#include <Eigen/Geometry>

#include "planner/segment/state.h"

namespace withy {

/// Shape(design, state).tip_E(), to the last bit, without the pieces that a shape keeps. Frame E, mm.
Eigen::Isometry3d tip_pose_E(const Design& design, const State& state);

}  // namespace withy
