// SPDX-License-Identifier: GPL-3.0-or-later
// A script in a file, whichever way it is written down.
#pragma once

#include <filesystem>

#include "planner/script/script.h"

namespace withy {

/// Reads a script by its ending: .csv, or .ngc with the axes lettered as the scene's [actuation] has them.
/// Errors: another ending; a program for a scene without [actuation]; what the two readers say.
Result<Script> read_script(const std::filesystem::path& file, const Scene& scene);

}  // namespace withy
