// SPDX-License-Identifier: GPL-3.0-or-later
// A scene's channel as one still picture: the wall cut open, openings and branches with their numbers, entry,
// target, the narrowest place. Parallel projection on the channel's broad side, as in picture.h.
#pragma once

#include <string>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/channel.h"
#include "planner/scene/scene.h"
#include "planner/show/picture_canvas.h"

namespace withy {

/// The file's bytes.
std::string draw_channel(const Scene& scene, const Channel& channel, const Centreline& centreline,
                         PictureFormat format);

}  // namespace withy
