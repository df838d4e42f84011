// SPDX-License-Identifier: GPL-3.0-or-later
// How far one surface lies from another: the one-sided Hausdorff distance.
//
// The distance to a surface changes by no more than one moves (it is 1-Lipschitz), so on a triangle within
// radius r of its middle it is at most that at the middle plus r. Triangles that might hold a point farther
// off than the farthest found are cut in four, until what is left could add kDeviationStep_mm or a fiftieth.
// The distance to one triangle of the other surface, which is convex, is a convex function: on a triangle it
// is largest at a corner, and no less than the distance to the whole surface. So a triangle that lies within
// one of the other's, as those that a cut splits do, is settled at once. Closest points: CGAL's AABB tree.
//
// Units: mm. Frame: both meshes'.
#pragma once

#include "geometry/mesh/mesh.h"
#include "planner/effort/effort.h"

namespace withy {

/// What the figure may fall short of the truth by.
inline constexpr double kDeviationStep_mm = 0.005;
inline constexpr double kDeviationShare = 0.02;

/// max over points p of `from` of the distance from p to `to`: an upper bound, the shortfall added. Triangles
/// of `from` that `to` has as well cost nothing.
double farthest_from(const TriangleMesh& from, const TriangleMesh& to, const Effort& effort = Effort());

}  // namespace withy
