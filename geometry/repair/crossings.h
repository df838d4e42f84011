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

#include <cstddef>
#include <optional>

#include "geometry/mesh/mesh.h"
#include "geometry/mesh/self_crossing.h"
#include "planner/effort/effort.h"

namespace withy {

/// Of two oriented manifolds.
bool cross_one_another(const TriangleMesh& a, const TriangleMesh& b);

/// Where more pairs of faces than this cross, they do so all over, and mending in place, whose rounds can't
/// be ended midway, is not tried. Chosen.
inline constexpr unsigned kMostCrossings = 20000;

/// Pairs of faces of an oriented manifold that cross one another, counted as far as kMostCrossings.
std::size_t crossing_pairs(const TriangleMesh& mesh);

/// The surface with its crossings mended in place; nothing where that does not free it of them or parts it,
/// or where the effort is cut short. Each round of mending ends with the effort; one alone can't be ended
/// midway.
std::optional<TriangleMesh> without_crossings(const TriangleMesh& mesh, const Effort& effort = Effort());

/// A closed manifold round any triangles, normals out. Holes narrower than `alpha_mm` are closed by it; wider
/// ones let it in. Nothing where the effort ends it.
std::optional<TriangleMesh> wrapped(const TriangleMesh& mesh, double alpha_mm, double offset_mm,
                                    const Effort& effort = Effort());

/// The mesh with every hole closed by a triangulation, whatever it crosses: what a wrap starts from, and what
/// tells inside from outside roughly.
TriangleMesh roughly_capped(const TriangleMesh& mesh);

}  // namespace withy
