// SPDX-License-Identifier: GPL-3.0-or-later
// A mesh of any kind as the oriented manifold pieces that it consists of.
//
// Coinciding vertices are merged, repeated triangles dropped, faces turned to agree with their neighbours,
// borders that coincide joined, and the surface parted where three or more faces meet in an edge or fans
// touch in a vertex. CGAL 5.5, "Polygon Mesh Processing".
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"

namespace withy {

struct MeshPiece {
  TriangleMesh mesh;  ///< one connected, oriented manifold; a closed one has its normals out
  double area_mm2 = 0.0;
  bool closed = false;
  Eigen::AlignedBox3d box;
};

/// All pieces, the largest area first. What was mended is added to `mended`, a sentence each.
std::vector<MeshPiece> pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended);

/// Of these points the share that lies inside a piece, capped where it is open; 0 where it can't be capped.
double share_inside(const TriangleMesh& piece, const std::vector<Eigen::Vector3d>& points);

/// V - E + F = 2 - 2 g - b of a connected surface with b borders (Euler and Poincare): its handles g.
int handles_of(const TriangleMesh& mesh, std::size_t borders);

}  // namespace withy
