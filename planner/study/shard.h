// SPDX-License-Identifier: GPL-3.0-or-later
// A part of a study that one process runs: every N-th run, so that hard scenes spread over all shards.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>

namespace withy {

struct Shard {
  std::size_t number = 1;  ///< from 1
  std::size_t of = 1;
  bool holds(std::size_t run_index) const { return run_index % of == number - 1; }
  bool whole() const { return of == 1; }
};

/// "2/8"; nothing for a text that names no shard.
std::optional<Shard> parse_shard(std::string_view text);

}  // namespace withy
