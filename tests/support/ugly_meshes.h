// SPDX-License-Identifier: GPL-3.0-or-later
// Meshes as they come out of segmentation and drawing programs, made from a clean one: each kind of fault by
// itself and together, at random places by a seed.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "geometry/mesh/mesh.h"

namespace withy_test {

struct UglyMesh {
  std::string kind;
  withy::TriangleMesh mesh;
  bool wraps_wall = false;  ///< something lies about the whole clean surface
};

/// Ten of them, of a clean tube with open ends whose wall is about `radius_mm` from its middle and whose
/// edges are about `edge_mm` long.
std::vector<UglyMesh> ugly_meshes(const withy::TriangleMesh& clean, double radius_mm, double edge_mm,
                                  std::uint32_t seed);

}  // namespace withy_test
