// SPDX-License-Identifier: GPL-3.0-or-later
// Words for people.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace withy {

/// "1 lock", "2 locks": a count and its noun, for nouns whose plural takes an s.
inline std::string count_of(std::size_t n, std::string_view noun) {
  return std::to_string(n) + " " + std::string(noun) + (n == 1 ? "" : "s");
}

}  // namespace withy
