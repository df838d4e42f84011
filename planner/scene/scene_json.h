// SPDX-License-Identifier: GPL-3.0-or-later
// How an answer's file names the scene it is about, so that it can be told later whether that has changed.
#pragma once

#include <string>

#include <nlohmann/json_fwd.hpp>

#include "planner/scene/scene.h"

namespace withy {

/// The object `scene`: the file as the command line gave it, the hashes of scene and mesh, the title.
nlohmann::ordered_json scene_json(const Scene& scene, const std::string& scene_file);

}  // namespace withy
