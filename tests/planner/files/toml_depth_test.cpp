// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/toml_depth.h"

#include <string>

#include <catch2/catch.hpp>

using namespace withy;

namespace {

std::string many(const std::string& part, int times) {
  std::string out;
  for (int i = 0; i < times; ++i) out += part;
  return out;
}

}  // namespace

TEST_CASE("What lies too deep is found where it gets so") {
  for (const std::string& deep :
       {many("a.", 40) + "b = 1", "[" + many("a.", 40) + "b]", "a = " + many("[", 40) + many("]", 40),
        "a = " + many("{b=", 40) + "1" + many("}", 40), "a = 1\n" + many("\"x\" . ", 40) + "b = 1"})
    CHECK(first_deep_place(deep).has_value());
  const auto place = first_deep_place("a = 1\n  " + many("[", 40));
  REQUIRE(place.has_value());
  CHECK(place->line == 2);
  CHECK(place->column == 2 + kDeepestToml + 1);
}

TEST_CASE("Dots and brackets that nest nothing are passed over") {
  for (const std::string& flat :
       {"a = [" + many("1.5, ", 1000) + "2.5]", many("a.b = 1\n", 1000), "a = \"" + many(".", 1000) + "\"",
        "a = '" + many("[", 1000) + "'", "# " + many("[.", 1000),
        "a = \"\"\"" + many("[.\n", 1000) + "\"\"\"", "a = '''" + many("{.", 1000) + "'''\nb = 1",
        "a = \"\\\"" + many("[", 100) + "\"", many("[a.b]\n", 1000)})
    CHECK_FALSE(first_deep_place(flat).has_value());
}

TEST_CASE("Text that is no TOML is walked to its end") {
  for (const std::string broken : {"\"", "'''", "\"\\", "\"\"\"a", "]]]]", "a = \"b\nc", "#", ""})
    CHECK_FALSE(first_deep_place(broken).has_value());
}
