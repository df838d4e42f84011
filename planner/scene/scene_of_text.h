// SPDX-License-Identifier: GPL-3.0-or-later
// A scene from a text that is in no file yet.
#pragma once

#include <filesystem>
#include <string>

#include "planner/scene/scene.h"

namespace withy {

/// The scene that a text describes, `file` being where it belongs: paths are seen from there, faults name it.
/// The file is not read, the mesh only where the text names places, and the mesh's hash stays empty.
Result<Scene> scene_in_text(std::string text, const std::filesystem::path& file);

}  // namespace withy
