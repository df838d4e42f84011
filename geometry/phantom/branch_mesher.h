// SPDX-License-Identifier: GPL-3.0-or-later
// Joined tubes as one closed mesh, by Delaunay refinement (CGAL 5.5, "3D Mesh Generation"), rims of flat ends
// kept sharp.
//
// Vertices lie on the exact surface of the tube tree to 1e-8 of its size. Same tree and edge length, same
// mesh: the mesher runs on one thread and its random directions start from a fixed seed.
#pragma once

#include <optional>

#include "geometry/mesh/mesh.h"
#include "geometry/phantom/tube_tree.h"
#include "planner/effort/effort.h"

namespace withy {

/// The tree's surface, flat ends capped, normals out of the lumen. Units: mm. The mesh is not checked here.
/// Nothing where the effort is cut short.
std::optional<TriangleMesh> mesh_tube_tree(const TubeTree& tree, double edge_length_mm, const Effort& effort);

/// What is wrong with a mesh that should bound one ball-like solid.
enum class ShellFault { none, not_closed, several_pieces, not_a_ball, crosses_itself };
struct ShellCheck {
  ShellFault fault = ShellFault::none;
  std::optional<Eigen::Vector3d> where;  ///< where it crosses itself
};
ShellCheck check_shell(const TriangleMesh& mesh);

}  // namespace withy
