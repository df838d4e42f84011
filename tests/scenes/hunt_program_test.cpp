// SPDX-License-Identifier: GPL-3.0-or-later
// Hunts deep in a lumen, from the plan to its scripts: with a guide, in a lumen that the sweep comes near to
// and in one that it touches; and scripts that were edited.
#include <algorithm>
#include <regex>
#include <set>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/support/edited_scene.h"
#include "tests/support/plain_plan.h"
#include "tests/support/plain_replay.h"

namespace {

using Catch::Matchers::Contains;
using withy_test::EditedScene;

const std::string kGuide = "kind = \"guide\"";
const std::string kFree = "kind = \"free\"";

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    lines.push_back(text.substr(at, end - at));
    at = end + 1;
  }
  return lines;
}

std::string text_of(const std::vector<std::string>& lines) {
  std::string text;
  for (const std::string& line : lines) text += line + "\n";
  return text;
}

bool is_hunt(const std::string& row) {
  return std::regex_search(row, std::regex("^[0-9]+,hunt,"));
}

withy_test::ProgramRun replay(const EditedScene& scene, const std::string& script) {
  return withy_test::run_program(
      WITHY_PROGRAM, {"replay", (scene.folder() / script).string(), scene.file().string(), "--quiet"},
      scene.folder());
}

/// The one hunt of a plan.
withy_plain::ListedHunt hunt_of(const EditedScene& scene) {
  const auto plan = withy_plain::read_plan((scene.folder() / "plan.json").string());
  for (const auto& action : plan.actions)
    if (action.hunt && action.leg == "in") {
      // Deep in: the lock itself, at station 50 of 100, is past the entry plane.
      CHECK(plan.states[static_cast<std::size_t>(action.from)].state.insertion_mm > 60.0);
      return *action.hunt;
    }
  FAIL("no hunt");
  return {};
}

}  // namespace

TEST_CASE(
    "A hunt deep in a lumen is planned clear of the wall, or left out, as the plain implementation finds") {
  for (const std::string hunt_mm : {"0.1", "0.2"}) {
    const EditedScene scene("planar-s", {{kFree, kGuide}, {"hunt_mm = 0.1", "hunt_mm = " + hunt_mm}});
    const auto run = scene.plan();
    CAPTURE(hunt_mm, run.out, run.err);
    REQUIRE(run.status == 0);
    const std::string plan = (scene.folder() / "plan.json").string();
    // Dense sampling along the sweep finds the clearance that is said, or what called the hunt off.
    const auto faults = withy_plain::replay_plan(scene.file().string(), plan, 3000);
    for (const std::string& fault : faults) FAIL_CHECK(fault);
    const auto hunt = hunt_of(scene);
    if (hunt_mm == "0.1") {
      REQUIRE(hunt.made);
      CHECK(hunt.clearance_mm.value() < 5.0);  // a wall is near, not far off
    }
    for (const char* script : {"script.csv", "script.ngc"}) {
      const auto replayed = replay(scene, script);
      CAPTURE(script, replayed.out, replayed.err);
      CHECK(replayed.status == 0);
      CHECK((replayed.out.find("after a sweep") != std::string::npos) == hunt.made);
    }
  }
}

TEST_CASE(
    "With lettered coils a hunt's currents are commands, on from before the sweep until after the switch") {
  const std::string tendons = "tendons = [\"A\", \"B\", \"C\", \"U\"]";
  const EditedScene scene("planar-s",
                          {{kFree, kGuide}, {tendons, tendons + "\ncoils = [\"X\", \"Y\", \"V\"]"}});
  const auto run = scene.plan();
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  REQUIRE(hunt_of(scene).made);
  for (const char* script : {"script.csv", "script.ngc"}) {
    const auto replayed = replay(scene, script);
    CAPTURE(script, replayed.out, replayed.err);
    CHECK(replayed.status == 0);
    CHECK_THAT(replayed.out, Contains("after a sweep"));
  }
  const std::string program = withy_test::read_text(scene.folder() / "script.ngc");
  CHECK(program.find("\nM0\n") == std::string::npos);
  // Between the sweep's announcement and the switch the coils' axes stay where they are.
  const auto lines = lines_of(program);
  const auto at = [&](const char* start) {
    return std::find_if(lines.begin(), lines.end(),
                        [&](const auto& line) { return line.rfind(start, 0) == 0; });
  };
  const auto hunt = at("(HUNT LOCK 1");
  const auto engaged = at("(SWITCH LOCK 1 ENGAGE");
  REQUIRE(hunt < engaged);
  std::set<std::string> currents;
  const std::regex words("X[-0-9.]+ Y[-0-9.]+ V[-0-9.]+");
  for (auto line = hunt; line < engaged; ++line) {
    std::smatch match;
    if (std::regex_search(*line, match, words)) currents.insert(match.str());
  }
  CHECK(currents.size() == 1);
  CHECK(currents.count("X0.000000 Y0.000000 V0.000000") == 0);
  // A replay goes by what is commanded: without the currents nothing switches.
  std::vector<std::string> dead = lines;
  for (std::string& line : dead) line = std::regex_replace(line, words, "X0.000000 Y0.000000 V0.000000");
  withy_test::write_text(scene.folder() / "dead.ngc", text_of(dead));
  const auto refused = replay(scene, "dead.ngc");
  CAPTURE(refused.out, refused.err);
  CHECK(refused.status == 5);
}

TEST_CASE("A script whose hunt, track or current was edited is refused at its line") {
  const EditedScene scene("planar-s", {{kFree, kGuide}});
  REQUIRE(scene.plan().status == 0);
  const auto rows = lines_of(withy_test::read_text(scene.folder() / "script.csv"));
  const auto first = std::find_if(rows.begin(), rows.end(), is_hunt);
  REQUIRE(first != rows.end());
  // Rows are numbered from 0 behind the header.
  const auto numbered_first =
      std::find_if(rows.begin(), rows.end(), [](const std::string& row) { return row.rfind("0,", 0) == 0; });
  const auto header = static_cast<std::size_t>(numbered_first - rows.begin());
  const auto refused = [&](const std::vector<std::string>& edited, const std::string& why) {
    withy_test::write_text(scene.folder() / "edited.csv", text_of(edited));
    const auto run = replay(scene, "edited.csv");
    CAPTURE(run.out, run.err);
    CHECK(run.status == 5);
    CHECK_THAT(run.out + run.err, Contains(why));
    CHECK(std::regex_search(run.out + run.err, std::regex("edited\\.csv:[0-9]+")));
  };
  std::vector<std::string> without;
  for (const std::string& row : rows) {
    if (is_hunt(row)) continue;
    const bool numbered = std::regex_search(row, std::regex("^[0-9]+,"));
    without.push_back(numbered ? std::to_string(without.size() - header) + row.substr(row.find(',')) : row);
  }
  refused(without, "engages without a sweep");
  // Every pull of tendon 1 during the sweep 0.01 mm off, its end aside: half a window's slide and more.
  std::vector<std::string> shifted = rows;
  const std::regex pull("^([0-9]+,hunt,[^,]*,)([^,]*)(,[^,]*,)([^,]*)(,[^]*)$");
  for (std::string& row : shifted) {
    std::smatch m;
    if (!is_hunt(row) || !std::regex_match(row, m, pull)) continue;
    row = m[1].str() + std::to_string(std::stod(m[2]) + 0.05) + m[3].str() +
          std::to_string(std::stod(m[4]) - 0.05) + m[5].str();
  }
  REQUIRE(shifted != rows);
  refused(shifted, "sweep");
}
