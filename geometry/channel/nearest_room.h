// SPDX-License-Identifier: GPL-3.0-or-later
// The place inside a channel that is nearest to a point and has a given room about it.
//
// Best first over cubes, the nearest to the point first. The distance to the wall changes by no more than one
// moves, so a cube of half diagonal h about c holds no place with room r where the distance at c is less than
// r - h, nor where c is outside and farther than h from every face that parts inside from outside. What is
// found is at most kNearestStep_mm farther away than the nearest place there is.
//
// Units: mm. Frame: E.
#pragma once

#include <optional>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"

namespace withy {

inline constexpr double kNearestStep_mm = 0.1;

/// Past the entry plane only. Nothing where no place has so much room, or where none was found in the cubes
/// that are allowed for (a quarter of a million).
std::optional<Eigen::Vector3d> nearest_room(const WallDistance& wall, const Eigen::Vector3d& p_E,
                                            double room_mm);

}  // namespace withy
