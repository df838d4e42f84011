// SPDX-License-Identifier: GPL-3.0-or-later
// What Ctrl-C leaves: nothing of what was not finished, and finished rows in a file that says it is not the
// whole.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

// Long enough for the program to have read its files, far short of what the questions below take.
constexpr double kWellUnderWay_s = 3.0;

std::string scene_named(const std::string& name) {
  return (kScenes / name / "scene.toml").string();
}

}  // namespace

TEST_CASE("an interrupted plan leaves at once, with status 130 and nothing written") {
  TemporaryFolder folder;
  const auto before = folder.listing();
  // A stock planner of which nothing is known to find a way here, and a minute to look for one.
  const ProgramRun run = run_program(WITHY_PROGRAM,
                                     {"plan", scene_named("double-bend"), "--locks", "2", "--planner", "rrt",
                                      "-o", "out", "--quiet"},
                                     folder.path(), kWellUnderWay_s);
  CHECK(run.status == 130);
  CHECK(run.out.empty());
  CHECK(run.err.empty());
  CHECK(folder.listing() == before);
}

TEST_CASE("an interrupted place keeps the designs it has found in a file marked partial") {
  TemporaryFolder folder;
  const ProgramRun run =
      run_program(WITHY_PROGRAM,
                  {"place", scene_named("single-bend"), "--locks", "2", "--step", "2", "-o", "out", "-q"},
                  folder.path(), kWellUnderWay_s);
  CHECK(run.status == 130);
  CHECK(run.err.empty());
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/place.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/place.partial.json"));
  CHECK(json["partial"] == true);
  CHECK(json["format"] == "withy-place");
}

TEST_CASE("an interrupted reach keeps what is decided in files marked partial") {
  TemporaryFolder folder;
  const ProgramRun run = run_program(WITHY_PROGRAM,
                                     {"reach", scene_named("airway"), "--targets", "lumen:2", "--locks", "0",
                                      "1", "2", "-o", "out", "-q"},
                                     folder.path(), kWellUnderWay_s);
  CHECK(run.status == 130);
  CHECK(run.err.empty());
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/reach.partial.csv", "out/reach.partial.html",
                                                    "out/reach.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/reach.partial.json"));
  CHECK(json["partial"] == true);
  REQUIRE_FALSE(json["counts"].empty());
}

TEST_CASE("an interrupted compare keeps the lock counts that are answered") {
  TemporaryFolder folder;
  // The first count is answered in milliseconds, the second has a wide search before it.
  const ProgramRun run = run_program(
      WITHY_PROGRAM,
      {"compare", scene_named("double-bend"), "--locks", "0", "2", "1", "3", "-o", "out", "-q"},
      folder.path(), kWellUnderWay_s);
  CHECK(run.status == 130);
  CHECK(run.err.empty());
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/compare.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/compare.partial.json"));
  CHECK(json["partial"] == true);
  REQUIRE_FALSE(json["counts"].empty());
  CHECK(json["counts"][0]["verdict"] == "unreachable");
}
