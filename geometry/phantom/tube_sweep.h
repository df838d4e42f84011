// SPDX-License-Identifier: GPL-3.0-or-later
// One tube as a closed mesh: rings of vertices swept along the middle line, neighbouring rings zipped with
// triangles.
//
// All vertices lie on the exact surface (geometry/phantom/tube_tree.h), rings turned by half a side against
// one another. Rings stand at the radius profile's stations and the line's joints, and between them so
// closely that an edge is about the edge length at most; a ring has as many sides as the edge length asks, or
// the fixed number. Ends are flat discs.
#pragma once

#include "geometry/mesh/mesh.h"
#include "geometry/phantom/tube_tree.h"

namespace withy {

/// The tube's mesh, closed, normals out of the lumen. `sides` 0: by the edge length. Units: mm, frame of the
/// tube.
TriangleMesh sweep_tube(const TubeTree::Tube& tube, double edge_length_mm, int sides);

}  // namespace withy
