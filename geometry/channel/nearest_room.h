// SPDX-License-Identifier: GPL-3.0-or-later
// The place inside a channel that is nearest to a point and has a given room about it.
//
// Best first over cubes, the nearest to the point first. The distance to the wall changes by no more than one
// moves, so a cube of half diagonal h about c holds no place with room r where the distance at c is less than
// r - h, nor where c is outside and farther than h from every face that parts inside from outside. What is
// found is at most kNearestStep_mm farther away than the nearest place there is.
//
// Where so much room is hardly anywhere, or nowhere, there is no end of cubes that might hold it. So no more
// than shares::kNearestRoomCubes are looked at, and then the roomiest place is sought instead: best first
// again, the cube with the largest bound on its room first, until it has the room wanted or no cube can hold
// more than kRoomiestStep_mm more.
//
// Units: mm. Frame: E.
#pragma once

#include <optional>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "planner/effort/geometry_shares.h"

namespace withy {

inline constexpr double kNearestStep_mm = 0.1;
inline constexpr double kRoomiestStep_mm = 0.02;

struct RoomyPlace {
  enum class Kind {
    nearest,  ///< no place with the room wanted is nearer, to kNearestStep_mm
    fits,     ///< it has the room wanted; a nearer one may have it too
    widest    ///< no place was found with that room; nowhere found is there more than here
  };
  Eigen::Vector3d place_E = Eigen::Vector3d::Zero();
  double room_mm = 0.0;
  Kind kind = Kind::widest;
};

/// Past the entry plane by `least_depth_mm` or more (0 or more). Nothing where the channel has no place there
/// at all. `most_cubes` is for tests.
std::optional<RoomyPlace> nearest_room(const WallDistance& wall, const Eigen::Vector3d& p_E, double room_mm,
                                       double least_depth_mm = 0.0,
                                       int most_cubes = shares::kNearestRoomCubes);

}  // namespace withy
