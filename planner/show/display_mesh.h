// SPDX-License-Identifier: GPL-3.0-or-later
// The channel's wall as it is drawn: as it is when it has few triangles, simplified when it has many.
//
// Simplification is CGAL's edge collapse (CGAL 5.5, "Triangulated Surface Mesh Simplification") with the cost
// and placement of P. Lindstrom and G. Turk, "Fast and Memory Efficient Polygonal Simplification", IEEE
// Visualization 1998: of CGAL's three it was the one nearest to the wall (0.02 mm at 200,000 triangles
// brought to 30,000) and takes about 20 us of one core a triangle. Walls of very many triangles are first
// brought to some times the wanted number by clusters of vertices (J. Rossignac and P. Borrel,
// "Multi-resolution 3D approximations for rendering complex scenes", Modeling in Computer Graphics, 1993),
// which takes less than 1 us a triangle. It is for the eye only: nothing is ever computed on a simplified
// wall.
#pragma once

#include <cstddef>

#include "geometry/channel/channel.h"
#include "geometry/mesh/mesh.h"

namespace withy {

struct DisplayMesh {
  TriangleMesh wall_E;               ///< faces with the role "wall", entry frame, normals out of the lumen
  std::size_t triangles_before = 0;  ///< of the wall, before simplification
  double deviation_mm =
      0.0;  ///< largest distance measured from the wall to what is drawn; 0 when not simplified
  std::size_t deviation_points = 0;  ///< at how many of the wall's vertices it was measured
};

/// More triangles than this are not drawn: a tablet's graphics still turn them smoothly, and the page stays
/// under 2 MB.
inline constexpr std::size_t kDisplayTriangles = 50000;

/// The wall with about `most_triangles` triangles, or as it is when it has no more. Openings stay open.
DisplayMesh make_display_mesh(const Channel& channel, std::size_t most_triangles = kDisplayTriangles);

}  // namespace withy
