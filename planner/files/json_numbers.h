// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers on their way into a JSON file. For .cpp files that include nlohmann/json.hpp themselves.
#pragma once

#include <nlohmann/json_fwd.hpp>

namespace withy {

/// What is not finite has no number in JSON: null. Never a negative zero.
nlohmann::ordered_json number(double value);

/// A list of them.
template <class Range, class Json = nlohmann::ordered_json>
Json numbers(const Range& range) {
  Json list = Json::array();
  for (const auto value : range) list.push_back(number(value));
  return list;
}

}  // namespace withy
