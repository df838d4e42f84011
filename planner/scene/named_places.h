// SPDX-License-Identifier: GPL-3.0-or-later
// Scenes whose places have names (places.h).
#pragma once

#include <string>
#include <vector>

#include "planner/scene/scene.h"

namespace withy {

/// What a scene that was read gives by name (`at`), as the numbers that it could have instead; a line each.
std::vector<std::string> named_places(const Scene& scene);

}  // namespace withy
