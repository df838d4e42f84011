// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/ranges.h"

#include <cmath>
#include <fstream>
#include <limits>
#include <regex>
#include <set>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "tests/support/temporary_folder.h"

using namespace withy;

namespace {

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

}  // namespace

TEST_CASE("A range holds its ends, and an open end not") {
  const Range closed{1.0, 2.0, false, false};
  CHECK(closed.holds(1.0));
  CHECK(closed.holds(2.0));
  CHECK_FALSE(closed.holds(std::nextafter(1.0, 0.0)));
  CHECK_FALSE(closed.holds(std::nextafter(2.0, 3.0)));
  CHECK_FALSE(Range{1.0, 2.0, true, false}.holds(1.0));
  CHECK(Range{1.0, 2.0, false, true}.holds(0.0));
  CHECK_FALSE(Range{1.0, 2.0, false, true}.holds(0.5));
  for (const double no_number : {kNaN, kInfinity, -kInfinity})
    for (const bool above : {false, true}) CHECK_FALSE(Range{-1e300, 1e300, above, false}.holds(no_number));
}

TEST_CASE("A key is found with its indices and lock counts") {
  REQUIRE(quantity("layout.2.station_mm[1]") != nullptr);
  CHECK(quantity("layout.2.station_mm[1]")->name == "layout.N.station_mm");
  REQUIRE(quantity("tube[0].pieces[12].length_mm") != nullptr);
  CHECK(quantity("tube[0].pieces[12].length_mm")->name == "tube.pieces.length_mm");
  CHECK(quantity("no.such.key") == nullptr);
  CHECK(quantity("") == nullptr);
  CHECK(quantity("[") == nullptr);
}

TEST_CASE("A fault says what would be right") {
  CHECK(range_fault("segment.length_mm", 1e300) == "a number from 1 to 5000 mm");
  CHECK(range_fault("target.direction_tolerance_deg", 0.0) == "a number above 0 and up to 180 deg");
  CHECK(range_fault("latch.notch_pitch_mm", 1e-9) == "0 or a number from 0.001 to 100 mm");
  CHECK(range_fault("latch.notch_pitch_mm", 0.0) == std::nullopt);
  CHECK(range_fault("segment.length_mm", kNaN) == "a finite number");
  CHECK(range_fault("of.no.key", 1e13) == "a number within 1e+12 either way");
  CHECK(range_fault("of.no.key", 1e11) == std::nullopt);
}

TEST_CASE("Every quantity has a sound range and a reason, and its name once") {
  std::set<std::string_view> names;
  for (const Quantity& q : all_quantities()) {
    CAPTURE(q.name);
    CHECK(names.insert(q.name).second);
    CHECK(q.range.least < q.range.most);
    CHECK(std::isfinite(q.range.least));
    CHECK(std::isfinite(q.range.most));
    CHECK_FALSE(q.reason.empty());
    CHECK(quantity(q.name) == &q);
  }
}

TEST_CASE("The README states the ranges that are checked") {
  const std::string readme = withy_test::read_text(std::string(WITHY_SOURCE_DIR) + "/README.md");
  const std::regex row("\\| `([a-zA-Z_.0-9]+)` \\| ([^|]+) \\| [^|]+ \\|");
  int rows = 0;
  for (std::sregex_iterator at(readme.begin(), readme.end(), row), end; at != end; ++at) {
    const Quantity* known = quantity((*at)[1].str());
    CAPTURE((*at)[1].str());
    if (known == nullptr) continue;  // another table of the README
    ++rows;
    std::string words = known->words();
    for (std::size_t i = words.find("a number "); i != words.npos; i = words.find("a number "))
      words.erase(i, 9);
    CHECK((*at)[2].str() == words);
  }
  CHECK(rows >= 40);
}

TEST_CASE("Every number of a scene has a range of its own") {
  // Keys of the example scene whose values are numbers or lists of numbers, in their tables.
  std::ifstream file(std::string(WITHY_SOURCE_DIR) + "/tests/assets/scenes/full.toml");
  std::string line, table;
  const std::regex key("^([a-zA-Z_0-9]+) = (-?[0-9]|\\[+-?[0-9]).*");
  int keys = 0;
  while (std::getline(file, line)) {
    if (line.starts_with("[")) table = line.substr(1, line.find(']') - 1);
    std::smatch found;
    if (!std::regex_match(line, found, key) || found[1] == "use") continue;
    ++keys;
    CAPTURE(table, line);
    CHECK(quantity(table + "." + found[1].str()) != nullptr);
  }
  CHECK(keys > 30);
}
