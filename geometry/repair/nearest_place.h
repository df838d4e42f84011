// SPDX-License-Identifier: GPL-3.0-or-later
// How far a point is from a surface, and which place in its lumen is meant by a point outside.
//
// Closest points and crossings of rays: CGAL's AABB tree.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <Eigen/Core>

#include "geometry/mesh/mesh.h"

namespace withy {

double distance_to_surface(const TriangleMesh& surface, const Eigen::Vector3d& p);

/// From a point outside straight through the nearest point of the surface: the middle between that and where
/// the surface is met again, so a place within it. The nearest point itself where it is not met again.
Eigen::Vector3d place_inside_near(const TriangleMesh& surface, const Eigen::Vector3d& p);

/// From a point of a closed surface straight inwards by so much, or by half of the way to where the surface
/// is met again where that is less.
Eigen::Vector3d place_inwards(const TriangleMesh& closed, const Eigen::Vector3d& from,
                              const Eigen::Vector3d& inward, double most_mm);

}  // namespace withy
