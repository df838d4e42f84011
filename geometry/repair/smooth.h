// SPDX-License-Identifier: GPL-3.0-or-later
// Smoothing a wall without moving any of it by more than a bound.
//
// Mean curvature flow (CGAL 5.5, "Polygon Mesh Processing", smooth_shape; M. Kazhdan, J. Solomon and M.
// Ben-Chen, "Can Mean-Curvature Flow Be Made Non-Singular?", Computer Graphics Forum 31(5), 2012) for a
// sixteenth of the mean edge's square (it narrows tubes); then every vertex is drawn back to within the bound
// of where it was. A point of a face is a weighted mean of its corners, so no point of the wall moves by more
// than the bound either, and the lumen gets wider by that at most. Rims of holes stay.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include "geometry/mesh/mesh.h"
#include "planner/effort/effort.h"

namespace withy {

struct SmoothedWall {
  TriangleMesh mesh;
  double moved_mm = 0.0;  ///< the farthest that a vertex moved
  bool done = true;       ///< false: smoothing would make the wall cross itself, so it was left as it was
};

/// Of an oriented manifold without crossings and without loose vertices; what comes of it has none either.
SmoothedWall smoothed(const TriangleMesh& mesh, double bound_mm, const Effort& effort = Effort());

}  // namespace withy
