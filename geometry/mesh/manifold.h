// SPDX-License-Identifier: GPL-3.0-or-later
// Is a mesh an oriented manifold as it stands? Then CGAL's mending of triangle soups, which takes ten times
// as long as this, has nothing to do: no points to merge, no faces to drop, turn or part.
//
// The faces round a vertex, each turned so that the vertex comes first, lead from its second corner to its
// third. In an oriented manifold these steps make up one ring, or one row where the vertex is on a border: no
// corner is left twice, none is reached twice, and all are on one way. An edge with three faces, faces at
// odds along an edge, a face given twice and fans that touch in a point all break that. (M. Botsch et al.,
// Polygon Mesh Processing, A K Peters 2010, section 1.2.)
//
// Work: one look at each face, and a sort of the points.
#pragma once

#include <cstddef>
#include <optional>

#include "geometry/mesh/mesh.h"

namespace withy {

/// The number of border edges of a mesh that is an oriented manifold, no two vertices at one place; some may
/// be of no face. Nothing for any other mesh, and for one with a vertex of very many faces, which is left to
/// CGAL.
std::optional<std::size_t> manifold_borders(const TriangleMesh& mesh);

}  // namespace withy
