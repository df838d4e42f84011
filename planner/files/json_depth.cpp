// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/json_depth.h"

#include <fmt/format.h>

namespace withy {

std::optional<std::string> json_excess(std::string_view text) {
  std::size_t open = 0;
  std::size_t values = 1;
  bool in_text = false;
  for (std::size_t at = 0; at < text.size(); ++at) {
    const char c = text[at];
    if (in_text) {
      at += c == '\\' ? 1 : 0;
      in_text = c != '"';
      continue;
    }
    in_text = c == '"';
    const bool opens = c == '[' || c == '{';
    if (opens && ++open > kDeepestJson)
      return fmt::format("lists and objects lie more than {} deep", kDeepestJson);
    if ((c == ']' || c == '}') && open > 0) --open;
    if ((opens || c == ',') && ++values > kMostJsonValues)
      return fmt::format("there are more than {} values", kMostJsonValues);
  }
  return std::nullopt;
}

}  // namespace withy
