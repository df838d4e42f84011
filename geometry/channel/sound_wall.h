// SPDX-License-Identifier: GPL-3.0-or-later
// The wall of a surface that was checked already.
#pragma once

#include <memory>

#include <tl/expected.hpp>

#include "geometry/channel/channel.h"
#include "geometry/channel/wall_distance.h"
#include "geometry/mesh/mesh_checks.h"

namespace withy {

/// make_wall (wall_distance.h) without its checks of the surface, which is one that make_sound made, in the
/// scene frame, mm. A refusal is about the entry.
tl::expected<std::shared_ptr<const WallDistance>, MeshRefusal> make_wall(SoundSurface sound_S,
                                                                         const Entry& entry, Outlets outlets);

}  // namespace withy
