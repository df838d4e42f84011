// SPDX-License-Identifier: GPL-3.0-or-later
// A scene with fitted values in place of its own, text and comments otherwise kept.
//
// Rigidity and friction change where they were determined; the entry frame moves by the base's offset when
// that was determined. The mesh is named by its way from the new file's folder. Slack has no key in a scene
// (scripts count from taut tendons): it is told in a comment at the top.
#pragma once

#include <filesystem>
#include <string>

#include "planner/fit/fit.h"
#include "planner/scene/scene.h"

namespace withy {

/// The text of the scene file that is to stand at `at`. Precondition: `scene` was read from its file.
Result<std::string> fitted_scene(const Scene& scene, const Fit& fit, const std::filesystem::path& at,
                                 bool move_entry);

/// Was enough of the base's offset determined to move the entry frame?
bool base_determined(const Fit& fit);

}  // namespace withy
