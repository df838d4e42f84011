// SPDX-License-Identifier: GPL-3.0-or-later
// Words of a file repeated to a person: on one line, without what a terminal would act on, and not at any
// length.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace withy {

/// A word longer than this (bytes) is cut, and what was left out counted.
inline constexpr std::size_t kLongestWord = 120;

/// `text` with line ends as spaces, control characters (Unicode's C0, C1, DEL, and those that turn the
/// direction of text) as \u001b and bytes that are no UTF-8 as \xff.
std::string without_controls(std::string_view text);

/// The same, with every word (no space in it) longer than `longest` cut.
std::string plain_line(std::string_view text, std::size_t longest = kLongestWord);

}  // namespace withy
