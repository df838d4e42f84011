// SPDX-License-Identifier: GPL-3.0-or-later
// How an answer's file names the scene it is about, so that it can be told later whether that has changed.
#pragma once

#include <string>

#include <nlohmann/json.hpp>

#include "planner/scene/scene.h"

namespace withy {

/// The object `scene`: the file as the command line gave it, the hashes of scene and mesh, the title.
inline nlohmann::ordered_json scene_json(const Scene& scene, const std::string& scene_file) {
  return {{"file", scene_file},
          {"sha256", scene.sha256},
          {"mesh_sha256", scene.mesh_sha256},
          {"title", scene.title}};
}

}  // namespace withy
