// SPDX-License-Identifier: GPL-3.0-or-later
// An interpreter of ISO 6983 programs that is not ours: LinuxCNC's (Debian package linuxcnc-uspace), by its
// Python module `gcode`, which takes all nine axes and keeps full precision; and what a script's rows say it
// should see.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "planner/scene/scene.h"
#include "planner/script/script.h"

namespace withy_test {

inline constexpr std::string_view kAxisLetters = "XYZABCUVW";

/// A straight move as an interpreter sees it: feed in mm/min, axes in the order of kAxisLetters.
struct Move {
  double feed = 0.0;
  std::vector<double> axes = std::vector<double>(kAxisLetters.size(), 0.0);
};

struct Interpreted {
  std::vector<Move> moves;
  std::vector<double> dwells;
};

/// What the program would have a machine do. Throws std::runtime_error when the interpreter is missing or
/// refuses the program, or when the program does more than move and dwell.
Interpreted interpret_nine_axes(const std::filesystem::path& program);

/// What the rows of a script say, apart from any program's text.
Interpreted meant_by(const withy::Script& script, const withy::Actuation& actuation);

/// The first disagreement beyond `within` (mm, mm/min, s), as a sentence; empty when there is none.
std::string disagreement(const Interpreted& seen, const Interpreted& meant, double within);

}  // namespace withy_test
