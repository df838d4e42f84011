// SPDX-License-Identifier: GPL-3.0-or-later
// A way into a mesh that has none, and the rims of its holes.
//
// Units: those of the mesh. Cut: CGAL 5.5, "Polygon Mesh Processing", clip.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

#include "geometry/mesh/mesh.h"

namespace withy::bench {

/// What lies on the side of the plane that `into` points to, its largest piece; nothing where the cut fails.
std::optional<TriangleMesh> cut_open(const TriangleMesh& mesh, const Eigen::Vector3d& on_plane,
                                     const Eigen::Vector3d& into);

struct Rim {
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();  ///< mean of its vertices
  Eigen::Vector3d into = Eigen::Vector3d::Zero();    ///< unit normal of its area, into the solid
  double length = 0.0;
  std::vector<Eigen::Vector3d> vertices;
};

/// The rims of a mesh's holes, longest first.
std::vector<Rim> rims_of(const TriangleMesh& mesh);

}  // namespace withy::bench
