// SPDX-License-Identifier: GPL-3.0-or-later
// Does a surface cross itself? CGAL 5.5, "Polygon Mesh Processing", does_self_intersect: exact, and once for
// each slab of the surface, side by side on all cores. Two faces that cross have a point in common, so both
// reach into the slab that holds it.
#pragma once

#include "geometry/mesh/mesh.h"

namespace withy {

/// Of an oriented manifold.
bool crosses_itself(const TriangleMesh& mesh);

}  // namespace withy
