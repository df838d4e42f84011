// SPDX-License-Identifier: GPL-3.0-or-later
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

const std::string kErrors =
    "backlash_mm = 0.003\n"
    "pull_gain = 0.002\n"
    "pull_offset_mm = 0.004\n"
    "entry_position_mm = 0.1\n"
    "entry_angle_deg = 0.1\n"
    "registration_position_mm = 0.1\n"
    "registration_angle_deg = 0.1\n"
    "lumen_scale = 0.002\n";

/// A folder with a shipped scene and a plan through it.
class PlannedFolder : public TemporaryFolder {
 public:
  PlannedFolder() {
    std::filesystem::copy(kScenes / "fold-chamber/scene.toml", path() / "scene.toml");
    std::filesystem::copy(kScenes / "fold-chamber/fold-chamber.stl", path() / "fold-chamber.stl");
    write_text(path() / "errors.toml", kErrors);
    REQUIRE(run_program(WITHY_PROGRAM, {"plan", "scene.toml", "--locks", "1", "-o", "out", "--quiet"}, path())
                .status == 0);
  }
  ProgramRun tolerance(std::vector<std::string> more) const {
    more.insert(more.begin(), {"tolerance", "out/plan.json", "scene.toml", "--quiet"});
    return run_program(WITHY_PROGRAM, more, path());
  }
};

}  // namespace

TEST_CASE("a plan is held against errors: proved, drawn, and the same for the same seed") {
  const PlannedFolder folder;
  const ProgramRun run = folder.tolerance({"--errors", "errors.toml", "--samples", "150", "-o", "a"});
  REQUIRE(run.status == 0);
  CHECK(folder.tolerance({"--errors", "errors.toml", "--samples", "150", "-o", "b"}).status == 0);
  for (const char* file : {"tolerance.json", "tolerance.csv"})
    CHECK(read_text(folder.path() / "a" / file) == read_text(folder.path() / "b" / file));
  const auto report = nlohmann::json::parse(read_text(folder.path() / "a/tolerance.json"));
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  // What is planned is the plan's own figure.
  const double planned = report["worst_case"]["clearance_planned_mm"];
  CHECK(std::abs(planned - plan["summary"]["clearance_mm"].get<double>()) < 0.05);
  CHECK(std::abs(report["worst_case"]["tip_error_planned_mm"].get<double>() -
                 plan["summary"]["tip_error_mm"].get<double>()) < 1e-9);
  // What is proved of the worst holds for what was drawn.
  CHECK(report["worst_case"]["clearance_kept_mm"].get<double>() > 0.0);
  CHECK(report["monte_carlo"]["contact"]["hits"] == 0);
  CHECK(report["monte_carlo"]["tip_error"][2]["tip_error_mm"].get<double>() <=
        report["worst_case"]["tip_error_most_mm"].get<double>());
  // A shift of the entry takes as much clearance as it is long.
  CHECK(std::abs(report["errors"]["entry_position_mm"]["clearance_lost_mm"].get<double>() - 0.1) < 0.05);
  const double stood = report["errors"]["entry_position_mm"]["stands_off_the_wall"];
  CHECK(std::abs(stood - planned) < 0.05);
}

TEST_CASE("a plan is not held against a scene that it was not made for") {
  const PlannedFolder folder;
  write_text(folder.path() / "scene.toml", read_text(folder.path() / "scene.toml") + "# changed\n");
  const auto before = folder.listing();
  const ProgramRun run = folder.tolerance({"-o", "a"});
  CHECK(run.status == 2);
  CHECK(run.out.empty());
  CHECK(run.err.find("the scene scene.toml has changed since this plan was made, plan again\n") !=
        std::string::npos);
  CHECK(folder.listing() == before);
}

TEST_CASE("what is wrong with a file of errors is said where it stands") {
  const PlannedFolder folder;
  const auto line_for = [&](const std::string& text) {
    write_text(folder.path() / "errors.toml", text);
    const ProgramRun run = folder.tolerance({"--errors", "errors.toml"});
    CHECK(run.status == 2);
    return run.err;
  };
  CHECK(line_for(kErrors + "mood = 1\n").starts_with("errors.toml:9:1: unknown key mood, "));
  CHECK(line_for("backlash_mm = -1\n" + kErrors.substr(kErrors.find('\n') + 1)) ==
        "errors.toml:1:15: backlash_mm is -1, give a number from 0 to 10 mm\n");
  CHECK(line_for(kErrors.substr(kErrors.find('\n') + 1)) ==
        "errors.toml:1:1: no backlash_mm in the file, give backlash_mm, a number\n");
  CHECK(line_for(kErrors.substr(0, kErrors.rfind("lumen")) + "lumen_scale = 2\n") ==
        "errors.toml:8:15: lumen_scale is 2, give a number from 0 to 0.499\n");
}
