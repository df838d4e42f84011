// SPDX-License-Identifier: GPL-3.0-or-later
// Options that take several numbers at a time: a point, a plane, a range.
#pragma once

#include <string>
#include <vector>

#include "tools/withy/command.h"

namespace withy {

/// Adds an option that takes `each` numbers, once, or as often as one likes; all of them end up in `values`.
Option add_numbers(CLI::App& app, const std::string& name, std::vector<double>& values, int each, bool often,
                   const std::string& help);

}  // namespace withy
