// SPDX-License-Identifier: GPL-3.0-or-later
// Faces with more than three corners, split into triangles.
//
// A face's own corners only: no vertex is added, none is moved, so the surface keeps its edges. A
// quadrilateral is split along the diagonal about which its triangles lie flatter and fuller, any other face
// by a constrained Delaunay triangulation of its corners seen along its normal, or, where it crosses itself
// seen so, by the triangulation of least area and fold that its corners have in space. CGAL 5.5, "Polygon
// Mesh Processing", triangulate_faces.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <string>
#include <vector>

#include "geometry/mesh/polygon_mesh.h"

namespace withy {

/// The mesh with triangles only. What was split, and what could not be, is added to `done`, a sentence each.
/// A face that can't be split (all its corners in a line) is left out.
TriangleMesh triangulated(PolygonMesh mesh, std::vector<std::string>& done);

}  // namespace withy
