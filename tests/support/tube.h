// SPDX-License-Identifier: GPL-3.0-or-later
// Test channels of any size made on the spot: a round tube along an arc, smooth or rough.
//
// The middle line starts at the origin along +z and is an arc of constant curvature in the x-z plane.
// Vertices stand on rings at even spacing; a rough tube has each vertex pushed out or in by a seeded random
// part of `roughness_mm`. Both ends are flat discs, fans of triangles about their middle.
#pragma once

#include <cstdint>
#include <memory>

#include "geometry/channel/channel.h"

namespace withy::testing {

struct TubeShape {
  double length_mm = 150.0;
  double radius_mm = 6.0;
  double bend_rad = 1.2;  ///< angle the whole arc turns through; 0 = straight
  double waist_mm = 0.0;  ///< the radius swings by this much along the tube, three times
  double roughness_mm = 0.0;
  std::uint32_t seed = 1;
  Outlets far_end = Outlets::closed;
};

/// About `triangles` triangles, as near to equilateral as that gives, normals out of the lumen. The entry
/// disc at z = 0 is the opening.
std::shared_ptr<const Channel> make_tube(const TubeShape& shape, int triangles);

/// Middle line's point and direction at arc length s.
Eigen::Vector3d tube_middle(const TubeShape& shape, double s_mm);
Eigen::Vector3d tube_direction(const TubeShape& shape, double s_mm);
/// Radius there, roughness aside.
double tube_radius(const TubeShape& shape, double s_mm);

}  // namespace withy::testing
