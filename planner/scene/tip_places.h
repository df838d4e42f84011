// SPDX-License-Identifier: GPL-3.0-or-later
// Where a tip may stand: what is said of targets and places to pass outside the channel, or before it.
//
// Units: mm. Frames: E, S as the names say.
#pragma once

#include <optional>
#include <string>

#include <Eigen/Core>

#include "geometry/channel/nearest_room.h"
#include "geometry/channel/wall_distance.h"
#include "planner/scene/scene.h"

namespace withy {

/// What the tip needs about it: the body's radius and the required clearance.
double tip_room_mm(const Scene& scene);

/// The place in the channel that is nearest to a target or place to pass, has room for the tip, and lies so
/// deep past the entry plane that only a tip in the channel is within the tolerance of it; where there is
/// none so deep, the nearest with that room.
std::optional<RoomyPlace> place_for_tip(const Scene& scene, const WallDistance& wall, const Target& target);

/// A place in the frame of the scene, as a scene's file has it.
std::string spoken_place_S(const Scene& scene, const Eigen::Vector3d& place_E);

/// "lies 1.000 mm outside the channel", of a target or place to pass that does: before the opening it is the
/// entry plane that counts. A lumen that comes back in front of the entry plane is no channel there, for a
/// body in front of it meets no wall: a place that no tip past the plane is within the tolerance of is
/// outside as well. Nothing for any other place.
std::optional<std::string> why_not_in_channel(const Scene& scene, const WallDistance& wall,
                                              const Target& target);

/// What to give instead of a target or place to pass outside the channel: place_for_tip's place.
std::string place_inside(const Scene& scene, const WallDistance& wall, const Target& target);

/// What is wrong with a target that a tip meets which has not gone in, and where the target might be instead;
/// nothing for any other.
std::optional<std::string> fault_at_entry(const Scene& scene, const WallDistance& wall);

}  // namespace withy
