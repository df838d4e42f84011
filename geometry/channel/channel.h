// SPDX-License-Identifier: GPL-3.0-or-later
// The channel: a closed solid (the lumen) whose faces are wall, entry opening or open outlet.
//
// Everything is in the entry frame E: origin on the entry plane, z into the channel (the advance axis). The
// solid is the mesh with every hole capped.
//
// "At the entry" means within the opening radius of the entry point (in a ball about it) and within
// kOpeningPlaneTolerance_mm of the entry plane. The entry opening is the cap of a hole whose whole rim is at
// the entry, and every face of the mesh that is wholly at the entry, side walls included, whether the mesh
// has such a hole or is closed there. A closed mesh needs at least one such face that looks back along the
// axis. The caps of other holes are wall, or open outlets where the scene declares outlets open. All else is
// wall.
//
// The opening may lie behind the entry plane, not beyond it by more than kEntryPlaneContact_mm: the lumen
// must hold the body from z = 0 on.
#pragma once

#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"
#include "geometry/mesh/mesh_checks.h"

namespace withy {

enum class Outlets { closed, open };

/// Where a body goes in. `X_SE` is the pose of the entry frame E in the scene frame S.
struct Entry {
  Eigen::Isometry3d X_SE = Eigen::Isometry3d::Identity();
  double opening_radius_mm = 0.0;
};

/// Faces wholly within this of the entry plane (and within the opening radius of the entry point) are the
/// opening.
inline constexpr double kOpeningPlaneTolerance_mm = 0.5;

/// An opening this close to the entry plane counts as lying in it: ten times what single-precision
/// coordinates (STL) lose at 100 mm, and a five-hundredth of the clearance slack.
inline constexpr double kEntryPlaneContact_mm = 1e-4;

enum class FaceRole : unsigned char { wall, entry_opening, open_outlet };

/// A hole of the mesh as it was read, or a patch of faces found to be the entry.
struct Opening {
  Eigen::Vector3d centre_E = Eigen::Vector3d::Zero();  ///< mm
  double radius_mm = 0.0;                              ///< that of a circle of the same perimeter
  int boundary_edges = 0;
  double z_min_mm = 0.0;  ///< how far the opening reaches along the advance axis, entry plane at 0
  double z_max_mm = 0.0;
  bool is_entry = false;
  std::vector<int> faces;  ///< of the channel's mesh: the hole's cap, or the patch itself
};

struct Channel {
  TriangleMesh mesh_E;              ///< closed, oriented with normals out of the lumen, caps included
  std::vector<FaceRole> role;       ///< one per triangle of mesh_E
  std::vector<Opening> openings;    ///< entry first
  std::vector<std::string> mended;  ///< one sentence for each thing that was mended
  Entry entry;
};

/// Checks `mesh_S` (scene frame, indices in range), mends what is safe to mend (merged duplicate vertices,
/// dropped zero-area and duplicate faces, turned faces at odds with their neighbours, flipped an inside-out
/// surface), caps holes, and names each face's role. A refusal gives places in the scene frame. Whoever needs
/// distances in the channel as well calls make_wall (wall_distance.h), which is this and keeps its tree.
tl::expected<Channel, MeshRefusal> make_channel(const TriangleMesh& mesh_S, const Entry& entry,
                                                Outlets outlets);

}  // namespace withy
