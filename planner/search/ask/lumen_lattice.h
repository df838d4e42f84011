// SPDX-License-Identifier: GPL-3.0-or-later
// Points evenly spread over the part of the lumen where a segment's tip might stand.
//
// The lattice is cubic and lies along the axes of the entry frame, with a point on the entry point; points on
// and behind the entry plane are left out. Kept is what satisfies both
//     D(p) >= R + c,   R the segment's radius and c the required clearance: the tip's own ball fits;
//     p is within one length of some place where insertion may put the base (free carriage), or within the
//     length that is out of the guide of where that begins: else no bend of the segment gets there.
// So what is left out can't be reached, and the shares of a lattice speak of the lumen that a tip fits into.
//
// Units: mm. Frame: E.
#pragma once

#include <cstddef>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "planner/segment/design.h"

namespace withy {

/// A lattice of more points would take longer to lay out and to write down than a user waits.
inline constexpr std::size_t kMostLatticePoints = 100000;

/// In a fixed order (z slowest, x fastest). Nothing comes back where the lattice's box holds more than
/// `most_looked_at` points or the lumen more than `most_points`. Precondition: spacing positive.
std::vector<Eigen::Vector3d> lumen_lattice(const WallDistance& wall, const Segment& segment,
                                           const Carriage& carriage, double clearance_mm, double spacing_mm,
                                           double most_looked_at = 4e6,
                                           std::size_t most_points = kMostLatticePoints);

}  // namespace withy
