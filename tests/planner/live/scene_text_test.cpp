// SPDX-License-Identifier: GPL-3.0-or-later
// Changing values of a scene's text: held against the text line by line, and against a plain look at the
// changed line.
#include "planner/live/scene_text.h"

#include <filesystem>
#include <random>
#include <sstream>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/live/numbers_json.h"
#include "tests/planner/live/live_bench.h"

namespace {

using namespace withy;

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  return lines;
}

std::string changed(const std::string& text, const SceneChange& change) {
  const auto out = changed_text(text, {change});
  INFO((out ? "" : out.error()));
  REQUIRE(out);
  return *out;
}

const std::string kText =
    "# a bench\n"
    "title = \"\xc3\xa9tude\" # name\n"
    "[target]  # where to\n"
    "point_mm = [1.0, 2, 3.0]\t# near the fork\n"
    "tolerance_mm = 1.5 # loose\n"
    "\n"
    "[actuation]\n"
    "rates = { \"advance_mm_per_s\" = 2.0, settle = 1 } # slow\n"
    "note = \"\xc3\xa9\xc3\xa9\" \n"
    "[layout]\n"
    "use = 1\n";

}  // namespace

TEST_CASE("a number is changed where it stands, and nothing else is") {
  CHECK(changed(kText, {"target.tolerance_mm", 0.25}) ==
        std::string(kText).replace(kText.find("1.5 #"), 3, "0.25"));
  CHECK(changed(kText, {"actuation.rates.advance_mm_per_s", 3.0}) ==
        std::string(kText).replace(kText.find("2.0, settle"), 3, "3.0"));
}

TEST_CASE("a list keeps its comment, and integers in it stay integers where they can") {
  CHECK(changed(kText, {"target.point_mm", std::vector<double>{4.5, 7.0, -3.0}}) ==
        std::string(kText).replace(kText.find("[1.0"), 13, "[4.5, 7, -3.0]"));
  CHECK(changed(kText, {"layout.use", 2.0}) ==
        std::string(kText).replace(kText.find("use = 1"), 7, "use = 2"));
}

TEST_CASE("text after letters of several bytes is found") {
  CHECK(changed(kText, {"title", std::string("a \"b\" \\ \n")}) ==
        std::string(kText).replace(kText.find("\"\xc3\xa9tude\""), 8, "\"a \\\"b\\\" \\\\ \\u000A\""));
}

TEST_CASE("a missing key goes below its table's header, a missing table to the end") {
  const std::string with_key = changed(kText, {"target.direction_tolerance_deg", 12.0});
  CHECK(with_key == std::string(kText).insert(kText.find("point_mm"), "direction_tolerance_deg = 12.0\n"));
  CHECK(changed(kText, {"layout.2.station_mm", std::vector<double>{10.0, 20.5}}) ==
        kText + "\n[layout.2]\nstation_mm = [10.0, 20.5]\n");
}

TEST_CASE(
    "comments inside a list stay, each number is changed where it stands, and another length is refused") {
  const std::string text =
      "[layout.2]\n"
      "station_mm = [ # from the base\n"
      "  33.0, # near, = [1, 2]\n"
      "  6.70e1 # far\n"
      "] # both\n"
      "clock_deg = [0, 135] # both too\n";
  CHECK(changed(text, {"layout.2.station_mm", std::vector<double>{31.5, 67.0}}) ==
        std::string(text).replace(text.find("33.0"), 4, "31.5"));
  CHECK(changed(text, {"layout.2.station_mm", std::vector<double>{31.5, 70.0}}) ==
        std::string(text).replace(text.find("6.70e1"), 6, "70.0").replace(text.find("33.0"), 4, "31.5"));
  CHECK_FALSE(changed_text(text, {{"layout.2.station_mm", std::vector<double>{31.5}}}));
  CHECK(changed(text, {"layout.2.clock_deg", std::vector<double>{90.0}}) ==
        std::string(text).replace(text.find("[0, 135]"), 8, "[90]"));
}

TEST_CASE("a byte order mark stays, and lines end as they did, added ones too") {
  const std::string mark = "\xef\xbb\xbf";
  const std::string text = mark + "title = \"a\" # \xc3\xa9\r\n[target] # t\r\ntolerance_mm = 1.5\r\n";
  CHECK(changed(text, {"title", std::string("bcd")}) ==
        std::string(text).replace(text.find("\"a\""), 3, "\"bcd\""));
  CHECK(changed(text, {"target.tolerance_mm", 2.0}) == std::string(text).replace(text.find("1.5"), 3, "2.0"));
  CHECK(changed(text, {"target.direction_tolerance_deg", 12.0}) ==
        std::string(text).insert(text.find("tolerance_mm"), "direction_tolerance_deg = 12.0\r\n"));
  CHECK(changed(text, {"layout.1.station_mm", std::vector<double>{10.0}}) ==
        text + "\r\n[layout.1]\r\nstation_mm = [10.0]\r\n");
  const std::string in_table = mark + "[target]\r\ntolerance_mm = 1.5";  // the mark, then a table
  CHECK(changed(in_table, {"target.tolerance_mm", 2.0}) == mark + "[target]\r\ntolerance_mm = 2.0");
  CHECK(changed(in_table, {"target.deep_mm", 2.0}) ==
        mark + "[target]\r\ndeep_mm = 2.0\r\ntolerance_mm = 1.5");
  CHECK(changed("[target]\r\ntolerance_mm = 1.5", {"layout.use", 1.0}) ==
        "[target]\r\ntolerance_mm = 1.5\r\n\r\n[layout]\r\nuse = 1.0\r\n");
}

TEST_CASE("what can't be had without touching more is refused") {
  CHECK_FALSE(changed_text(kText, {{"actuation.rates.missing", 1.0}}));
  CHECK_FALSE(changed_text(kText, {{"target", 1.0}}));
  CHECK_FALSE(changed_text(kText, {{"target.tolerance_mm.deep", 1.0}}));
  CHECK_FALSE(changed_text(kText, {{"bad key", 1.0}}));
  CHECK_FALSE(changed_text(kText, {{"target.tolerance_mm", kInfinity}}));
  CHECK_FALSE(changed_text("title = ", {{"title", 1.0}}));
}

TEST_CASE("each number of every shipped scene can be changed, and its line alone changes") {
  constexpr unsigned kSeed = 7;
  std::mt19937 random(kSeed);
  INFO("seed " << kSeed);
  std::uniform_real_distribution<double> any(0.1, 10.0);  // smaller ones may be written with an exponent
  const std::filesystem::path scenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";
  int tried = 0;
  for (const auto& folder : std::filesystem::directory_iterator(scenes)) {
    if (!std::filesystem::exists(folder.path() / "scene.toml")) continue;
    const std::string text = withy_test::read_text(folder.path() / "scene.toml");
    const auto before = lines_of(text);
    for (const auto& number : numbers_json(text)) {
      const std::string key = number.at("key");
      SceneChange change{key, 0.0};
      const double value = any(random);
      if (number.at("value").is_array())
        change.value = std::vector<double>(number.at("value").size(), value);
      else
        change.value = value;
      INFO(folder.path() << ' ' << key);
      const auto after = lines_of(changed(text, change));
      REQUIRE(after.size() == before.size());
      int differ = 0;
      std::size_t where = 0;
      for (std::size_t i = 0; i < after.size(); ++i)
        if (after[i] != before[i]) ++differ, where = i;
      CHECK(differ == 1);
      const std::string name = key.substr(key.rfind('.') + 1);
      CHECK(after[where].find(name) != std::string::npos);
      CHECK(after[where].find(std::to_string(value).substr(0, 5)) != std::string::npos);
      ++tried;
    }
  }
  CHECK(tried > 300);
}
