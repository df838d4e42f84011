// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/json_depth.h"

#include <string>

#include <catch2/catch.hpp>

using namespace withy;

namespace {

std::string nested(std::size_t deep) {
  return std::string(deep, '[') + std::string(deep, ']');
}

std::string list_of(std::size_t values) {
  std::string text = "[0";
  for (std::size_t i = 1; i < values; ++i) text += ",0";
  return text + "]";
}

}  // namespace

TEST_CASE("A JSON text is told to be too deep at the first level too many") {
  CHECK_FALSE(json_excess(nested(kDeepestJson)).has_value());
  CHECK(json_excess(nested(kDeepestJson + 1)).has_value());
  CHECK(json_excess(std::string(100000, '{')).has_value());
  // Side by side is not deep.
  std::string row = "[";
  for (int i = 0; i < 1000; ++i) row += nested(20) + ",";
  CHECK_FALSE(json_excess(row + "0]").has_value());
}

TEST_CASE("Brackets and commas in texts count for nothing, escaped quotes included") {
  CHECK_FALSE(json_excess("\"" + std::string(100, '[') + "\"").has_value());
  CHECK_FALSE(json_excess("[\"\\\"" + std::string(100, '[') + "\\\\\"]").has_value());
  CHECK(json_excess("[\"\\\\\"," + std::string(100, '[')).has_value());
  CHECK_FALSE(json_excess("\"" + std::string(3 * kMostJsonValues, ',') + "\"").has_value());
}

TEST_CASE("A JSON text is told to have too many values") {
  CHECK_FALSE(json_excess(list_of(kMostJsonValues - 1)).has_value());
  CHECK(json_excess(list_of(kMostJsonValues + 1)).has_value());
}
