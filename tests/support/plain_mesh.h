// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: reading a mesh and telling wall from opening.
#pragma once

#include <array>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "tests/support/plain_scene.h"

namespace withy_plain {

struct Mesh {
  std::vector<Eigen::Vector3d> points;
  std::vector<std::array<int, 3>> faces;
};

/// STL (ascii, binary), OBJ, OFF, ascii PLY by the file's ending; coincident points merged, coordinates
/// scaled. Throws std::runtime_error on anything it can't read.
Mesh read_mesh(const std::string& path, double mm_per_unit);

enum class Role { wall, entry, outlet };

/// The closed solid in the entry frame E, every face with its role.
struct Solid {
  Mesh mesh;
  std::vector<Role> role;
};

/// Caps each open boundary loop by a fan from the loop's centroid (so a loop that is not plane gets a cap of
/// its own shape: good enough for the sign, and equal to any other cap where the loop is plane). A face is
/// entry when all of it lies within the opening radius of the entry point and within 0.5 mm of the entry
/// plane; a cap when its whole loop does. The other caps are outlets where the scene declares them open; all
/// else is wall.
Solid make_solid(const Mesh& mesh_S, const Scene& scene);

}  // namespace withy_plain
