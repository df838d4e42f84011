// SPDX-License-Identifier: GPL-3.0-or-later
// A scene in memory before it is a file, and the same scene turned or mirrored.
//
// Every way of asking reads its scene from a file, as a user's would be read; so what is asked can be asked
// again from the folder alone.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"
#include "planner/scene/scene.h"

namespace withy::consistency {

struct Draft {
  TriangleMesh mesh_S;  ///< mm
  Outlets outlets = Outlets::closed;
  Entry entry;  ///< the pose of E in S and the opening's radius
  Target target;
  double required_clearance_mm = 0.0;
  DesignParts parts;  ///< layout included; R_SE is the entry's on reading
};

/// The mesh alone, beside which scenes of it are written. Throws std::runtime_error where it can't be.
void write_channel(const TriangleMesh& mesh_S, const std::filesystem::path& file);

/// The scene file; `mesh` is the mesh's name seen from its folder. Throws std::runtime_error.
void write_scene(const Draft& draft, const std::string& mesh, const std::filesystem::path& file);

/// The same question in a scene frame that is turned and moved by `X`, with the section's x axis turned about
/// the advance axis by `turn_rad` (and every angle of the section turned back by as much).
Draft turned(const Draft& draft, const Eigen::Isometry3d& X, double turn_rad);

/// The same question in a mirror: x of the entry frame becomes -x. Angles of the section become pi less
/// themselves; magnets turn the other way.
Draft mirrored(const Draft& draft);

/// The same surface with more triangles: edges between vertices more than `above_mm` past the entry plane are
/// halved. Below that nothing changes, since smaller faces there would count as part of the opening.
TriangleMesh refined(const TriangleMesh& mesh_S, const Entry& entry, double above_mm);

}  // namespace withy::consistency
