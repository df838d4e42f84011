// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/shard.h"

#include <charconv>

namespace withy {
namespace {

/// More processes than any cluster starts for one study.
constexpr std::size_t kMostShards = 100000;

std::optional<std::size_t> whole_number(std::string_view text) {
  std::size_t value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  return error == std::errc() && end == text.data() + text.size() ? std::optional(value) : std::nullopt;
}

}  // namespace

std::optional<Shard> parse_shard(std::string_view text) {
  const std::size_t slash = text.find('/');
  if (slash == std::string_view::npos) return std::nullopt;
  const auto number = whole_number(text.substr(0, slash));
  const auto of = whole_number(text.substr(slash + 1));
  if (!number || !of || *number < 1 || *number > *of || *of > kMostShards) return std::nullopt;
  return Shard{*number, *of};
}

}  // namespace withy
