// SPDX-License-Identifier: GPL-3.0-or-later
// Scenes whose places have names (places.h), and scenes that are not in a file yet.
#pragma once

#include <string>
#include <vector>

#include "planner/scene/scene.h"

namespace withy {

/// What a scene that was read gives by name (`at`), as the numbers that it could have instead; a line each.
std::vector<std::string> named_places(const Scene& scene);

/// read_scene of a text that gives its places as numbers; no mesh is looked at. `file` is where it would
/// stand.
Result<Scene> parse_scene(std::string text, const std::filesystem::path& file);

}  // namespace withy
