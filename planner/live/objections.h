// SPDX-License-Identifier: GPL-3.0-or-later
// What stands against a motion or against where the tip stops, named with its value, for whoever drives.
//
// Units: mm, 1/mm, rad. Frame: E.
#pragma once

#include <string>

#include <Eigen/Geometry>

#include "planner/search/route/route.h"

namespace withy {

/// What forbids a motion that the judge does not allow, as half a sentence. Of curvature and insertion it
/// names the one that is out of its range, and both numbers.
std::string motion_objection(const StepJudge& judge, const State& from, const State& to);

/// What is wrong with where the tip stops, as half a sentence: its place, its direction or both; empty where
/// the goal holds.
std::string target_objection(const Goal& goal, const Eigen::Isometry3d& tip_E);

}  // namespace withy
