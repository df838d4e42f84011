// SPDX-License-Identifier: GPL-3.0-or-later
// What no search is needed for: conditions that every plan meets and that the target fails. `withy check` and
// `withy plan` say the same of them.
#pragma once

#include <string>
#include <vector>

#include "geometry/channel/wall_distance.h"
#include "planner/search/problem.h"

namespace withy {

/// A sentence without its full stop for each proof that no state whatever has its tip at the target: nowhere
/// within its tolerance is there room for the tip; it lies deeper than insertion goes, or farther beside the
/// axis than the segment bends. `what`: what the goal is called, "the target" or "the place".
std::vector<std::string> target_obstacles(const Design& design, const Goal& goal,
                                          double required_clearance_mm, const WallDistance& wall,
                                          const std::string& what = "the target");

}  // namespace withy
