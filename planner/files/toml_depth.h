// SPDX-License-Identifier: GPL-3.0-or-later
// How deep the tables, arrays and dotted keys of a TOML text lie, told before it is parsed: a parser builds a
// table for each part of a key and takes them apart one inside the other, and a stack has an end.
#pragma once

#include <optional>
#include <string_view>

#include "planner/files/input_error.h"

namespace withy {

/// No file that withy knows has keys deeper than four.
inline constexpr int kDeepestToml = 32;

/// Where a key of more than kDeepestToml parts, or a bracket in so many others, stands first; nothing when
/// there is none. Strings and comments are passed over as TOML 1.0 has them; of a text that is no TOML it may
/// say either.
std::optional<SourcePosition> first_deep_place(std::string_view text);

}  // namespace withy
