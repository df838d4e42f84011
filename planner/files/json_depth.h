// SPDX-License-Identifier: GPL-3.0-or-later
// How much a JSON text asks of a parser, told before it is parsed: each level costs a container, and each
// value, two bytes of a file at the least, fifty of memory or more.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>

namespace withy {

/// No file that withy writes or reads comes near either.
inline constexpr std::size_t kDeepestJson = 32;
inline constexpr std::size_t kMostJsonValues = 2'000'000;

/// Why a text is not to be parsed, as half a sentence: lists and objects lie more than kDeepestJson deep, or
/// it has more than kMostJsonValues values. Brackets and commas in texts are passed over; of a text that is
/// no JSON it may say either or nothing.
std::optional<std::string> json_excess(std::string_view text);

}  // namespace withy
