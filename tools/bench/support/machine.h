// SPDX-License-Identifier: GPL-3.0-or-later
// What a benchmark's figures were measured on.
#pragma once

#include <string>

namespace withy::bench {

/// The first line that a command prints, "unknown" when it prints none.
std::string first_line_of(const std::string& command);

/// The processor's name.
std::string processor();

/// Commit of the source tree, with a mark when files differ from it.
std::string commit();

/// Seconds of processor time that this process has taken, all threads together.
double processor_seconds();

}  // namespace withy::bench
