// SPDX-License-Identifier: GPL-3.0-or-later
// A mesh of any kind as the oriented manifold pieces that it consists of.
//
// Coinciding vertices are merged, repeated triangles dropped, faces turned to agree with their neighbours,
// borders that coincide joined, and the surface parted where three or more faces meet in an edge or fans
// touch in a vertex. CGAL 5.5, "Polygon Mesh Processing".
//
// Borders that only nearly coincide are joined where that is asked for (joined_pieces_of): vertices that
// stand on another border's edge by less than kSnapShare of the edges about them (T-junctions), by CGAL's
// snapping; and, of triangles that hang on nothing, vertices that stand within a share of the mean edge of
// one another.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"
#include "planner/effort/effort.h"

namespace withy {

struct MeshPiece {
  TriangleMesh mesh;  ///< one connected, oriented manifold; a closed one has its normals out
  double area_mm2 = 0.0;
  bool closed = false;
  Eigen::AlignedBox3d box;
};

/// All pieces, the largest area first. What was mended is added to `mended`, a sentence each.
std::vector<MeshPiece> pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended);

/// The same of a mesh as it was given, borders joined that nearly coincide. `moved_mm` becomes the most that
/// a vertex may have been moved by that. Where the effort is cut short some pieces are missing.
std::vector<MeshPiece> joined_pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended,
                                        double& moved_mm, const Effort& effort = Effort());

/// Of all faces, mm^2.
double area_of(const TriangleMesh& mesh);

/// Of these points the share that lies inside a piece, capped where it is open; 0 where it can't be capped.
double share_inside(const TriangleMesh& piece, const std::vector<Eigen::Vector3d>& points);

/// V - E + F = 2 - 2 g - b of a connected surface with b borders (Euler and Poincare): its handles g.
int handles_of(const TriangleMesh& mesh, std::size_t borders);

}  // namespace withy
