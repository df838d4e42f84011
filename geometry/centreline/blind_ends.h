// SPDX-License-Identifier: GPL-3.0-or-later
// Which blind branches are branches: those that lead on beyond the balls that the lumen holds about the other
// lines.
//
// About each point of a middle line the lumen holds a ball as wide as the sides are far. A corner behind a
// neck, a groove round an opening or the wall itself may lie far off the line along the graph, and yet there
// is no more to it than the place where those balls meet the wall. So of a line that ends blind only what
// lies beyond the balls of every other line counts, its tail. It leads on
// - when the tail is kTailRadii times as long as it is wide; in the corner of a cube whose middle the other
//   line goes through the figure is (sqrt(3) - 1) / (1 - 1 / sqrt(3)) = sqrt(3), in a groove less than 2;
// - or when the tail is a chamber: after a place in it, it is kTailNeck times wider, and it is longer than
//   the chamber is wide.
// Others are dropped, unless another branch leaves them.
//
// Work: each point of a blind tail against the points of all lines, of which there are few.
//
// Units: mm. Frame: E.
#pragma once

#include <vector>

#include "geometry/centreline/centreline.h"
#include "planner/effort/effort.h"

namespace withy {

/// Drops those of `branches` that end blind and lead nowhere. Parents stay before their children.
void drop_blind_corners(std::vector<CentrelineBranch>& branches, const Effort& effort);

}  // namespace withy
