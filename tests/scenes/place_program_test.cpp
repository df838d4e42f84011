// SPDX-License-Identifier: GPL-3.0-or-later
// `withy place` as a user runs it: the scenes it writes plan as it says, and it says what it does not know.
#include <cmath>
#include <regex>
#include <set>
#include <sstream>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;

const fs::path kScenes = fs::path(WITHY_SOURCE_DIR) / "scenes";

ProgramRun place(const TemporaryFolder& folder, const std::string& scene, std::vector<std::string> more) {
  more.insert(more.begin(), {"place", (kScenes / scene / "scene.toml").string(), "--quiet", "-o", "out"});
  return run_program(WITHY_PROGRAM, more, folder.path());
}

}  // namespace

TEST_CASE(
    "every scene that place writes is planned with the clearance that its table names, but for a step") {
  const TemporaryFolder folder;
  const ProgramRun run =
      place(folder, "airway", {"--locks", "1", "--step", "20", "--trials", "0", "--work", "300000"});
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  CHECK(run.out.rfind("reached: clearance at least ", 0) == 0);
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/place.json"));
  REQUIRE_FALSE(json["designs"].empty());
  for (const auto& design : json["designs"]) {
    std::ostringstream clearance;
    clearance << design["clearance_mm"].get<double>() - 0.05;
    const ProgramRun plan = run_program(WITHY_PROGRAM,
                                        {"plan", "out/" + design["scene"].get<std::string>(), "--clearance",
                                         clearance.str(), "--quiet", "-o", "plan"},
                                        folder.path());
    CAPTURE(design.dump(), plan.out, plan.err);
    REQUIRE(plan.status == 0);
    const auto planned = nlohmann::json::parse(read_text(folder.path() / "plan/plan.json"));
    CHECK(planned["summary"]["clearance_mm"].get<double>() >= std::stod(clearance.str()) - 1e-9);
    CHECK(planned["segment"]["station_mm"] == design["station_mm"]);
    CHECK(planned["segment"]["clock_deg"] == design["clock_deg"]);
  }
}

TEST_CASE("every layout that is called unreachable has a proof that is checked, and is about that layout") {
  const TemporaryFolder folder;
  const ProgramRun run = place(folder, "triple-bend",
                               {"--locks", "1", "--step", "25", "--clock-step", "90", "--proof", "proofs"});
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 3);
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/place.json"));
  const auto unreachable = json["grid"]["unreachable"].get<std::size_t>();
  REQUIRE(unreachable == json["grid"]["station_combinations"].get<std::size_t>());
  std::set<std::string> stations;
  for (std::size_t i = 1; i <= unreachable; ++i) {
    const ProgramRun recheck = run_program(WITHY_PROGRAM,
                                           {"recheck", "proofs/layout-" + std::to_string(i) + ".proof.gz",
                                            (kScenes / "triple-bend" / "scene.toml").string(), "--quiet"},
                                           folder.path());
    CAPTURE(i, recheck.out, recheck.err);
    CHECK(recheck.status == 0);
    std::smatch at;
    REQUIRE(std::regex_search(recheck.out, at, std::regex("with 1 lock at ([0-9.]+) mm ")));
    stations.insert(at[1]);
  }
  CHECK(stations.size() == unreachable);
  CHECK_FALSE(fs::exists(folder.path() / ("proofs/layout-" + std::to_string(unreachable + 1) + ".proof.gz")));
  CHECK(run.out.find(std::to_string(unreachable) + " proofs of layouts that don't reach") !=
        std::string::npos);
}

TEST_CASE("place says so when the work runs out before anything is known") {
  const TemporaryFolder folder;
  const ProgramRun run = place(folder, "planar-s", {"--locks", "1", "--step", "40", "--work", "2000"});
  CAPTURE(run.out, run.err);
  CHECK(run.status == 4);
  CHECK(run.out.rfind("undecided: none of the 2 layouts of the grid was found to reach: ", 0) == 0);
  CHECK(folder.listing() == std::set<std::string>{"out", "out/place.json", "out/place.txt"});
}

TEST_CASE("place refuses a grid that is too fine, and clockings that don't close") {
  const TemporaryFolder folder;
  for (const auto& [arguments, words] : std::vector<std::pair<std::vector<std::string>, std::string>>{
           {{"--locks", "5", "--step", "1"}, "give a larger --step or --clock-step"},
           {{"--locks", "2", "--clock-step", "50"}, "divide 360"}}) {
    const ProgramRun run = place(folder, "straight", arguments);
    CAPTURE(run.err);
    CHECK(run.status == 2);
    CHECK(run.err.find(words) != std::string::npos);
    CHECK(folder.listing().empty());
  }
}
