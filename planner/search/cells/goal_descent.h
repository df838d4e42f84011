// SPDX-License-Identifier: GPL-3.0-or-later
// From a state to one near it that holds the goal, without a look at walls or hardware.
//
// By compass search (compass_search.h). It may fail where there is such a state; what it returns holds the
// goal.
#pragma once

#include <functional>
#include <optional>

#include "planner/search/problem.h"
#include "planner/segment/state.h"

namespace withy {

/// How far a state misses the goal, in mm; 0 where it holds it with a little to spare. A missed direction
/// counts by how far it is off, a tolerance's angle for a tolerance's distance.
double goal_miss(const Design& design, const Goal& goal, const State& state);

struct GoalDescent {
  double insertion_step_mm = 0.0;      ///< first step
  double curvature_step_per_mm = 0.0;  ///< first step
  /// Brings a state back to where it may be.
  std::function<State(const State&)> within;
};

std::optional<State> descend_to_goal(const Design& design, const Goal& goal, const State& from,
                                     const GoalDescent& descent);

}  // namespace withy
