// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/scene_json.h"

#include <nlohmann/json.hpp>

namespace withy {

nlohmann::ordered_json scene_json(const Scene& scene, const std::string& scene_file) {
  return {{"file", scene_file},
          {"sha256", scene.sha256},
          {"mesh_sha256", scene.mesh_sha256},
          {"title", scene.title}};
}

}  // namespace withy
