// SPDX-License-Identifier: GPL-3.0-or-later
// Passages: faces that part inside from outside past the entry plane without being wall.
//
// Open outlets are passages, and so are faces of the entry opening that reach past the plane: neither counts
// for the distance, both for the side (WallDistance). The signed distance D jumps at a passage, from -d to d.
// It is 1-Lipschitz along a line only where the line meets no passage; |D| is along every line.
#pragma once

#include <cstddef>

#include "geometry/channel/channel.h"

namespace withy {

bool is_passage(const Channel& channel, std::size_t face);

}  // namespace withy
