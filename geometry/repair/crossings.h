// SPDX-License-Identifier: GPL-3.0-or-later
// Faces that cross one another: found, mended in place, or left behind by a wrap.
//
// Mending in place: CGAL 5.5, "Polygon Mesh Processing", experimental self-intersection removal (local
// smoothing, then filling what is taken out). The wrap: CGAL 5.5, "3D Alpha Wrapping" (C. Portaneri, M.
// Rouxel-Labbe, M. Hemmer, D. Cohen-Steiner, P. Alliez, "Alpha Wrapping with an Offset", ACM Trans. Graphics
// 41(4), 2022): a closed manifold about everything, that lies outside of it by `offset` and enters no gap
// narrower than `alpha`.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <optional>

#include "geometry/mesh/mesh.h"

namespace withy {

/// Of an oriented manifold.
bool crosses_itself(const TriangleMesh& mesh);

/// Of two oriented manifolds.
bool cross_one_another(const TriangleMesh& a, const TriangleMesh& b);

/// The surface with its crossings mended in place; nothing where that does not free it of them or parts it.
std::optional<TriangleMesh> without_crossings(const TriangleMesh& mesh);

/// A closed manifold round any triangles, normals out. Holes narrower than `alpha_mm` are closed by it; wider
/// ones let it in.
TriangleMesh wrapped(const TriangleMesh& mesh, double alpha_mm, double offset_mm);

/// The mesh with every hole closed by a triangulation, whatever it crosses: what a wrap starts from, and what
/// tells inside from outside roughly.
TriangleMesh roughly_capped(const TriangleMesh& mesh);

}  // namespace withy
