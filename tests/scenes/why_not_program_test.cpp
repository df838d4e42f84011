// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy plan` says of a question without a plan, and of places to pass, as a user sees it.
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using Catch::Contains;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

const fs::path kScenes = fs::path(WITHY_SOURCE_DIR) / "scenes";

/// A shipped scene in a folder of its own, with more text behind it.
void copy_scene(const std::string& name, const TemporaryFolder& folder, const std::string& more) {
  fs::copy_file(kScenes / name / (name + ".stl"), folder.path() / (name + ".stl"));
  write_text(folder.path() / "scene.toml", read_text(kScenes / name / "scene.toml") + more);
}

/// plan.json of the folder's scene, which has one place to pass, without locks; rechecked.
nlohmann::json plan_past_one_place(const TemporaryFolder& folder) {
  const ProgramRun plan =
      run_program(WITHY_PROGRAM, {"plan", "scene.toml", "--locks", "0", "--recheck", "--quiet", "-o", "out"},
                  folder.path());
  CAPTURE(plan.out, plan.err);
  REQUIRE(plan.status == 0);
  CHECK_THAT(plan.out, Contains("it passes 1 place on the way") && Contains("recheck holds"));
  return nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
}

}  // namespace

// The budget: looks for a depth end with their work, and the clock is not to end them on a loaded machine.
TEST_CASE("An unreachable answer says how deep the tip gets, and its nearest state") {
  const TemporaryFolder folder;
  const ProgramRun run = run_program(WITHY_PROGRAM,
                                     {"plan", (kScenes / "airway/scene.toml").string(), "--locks", "0",
                                      "--budget", "3000", "--quiet", "-o", "out"},
                                     folder.path());
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 3);
  CHECK_THAT(run.out, Contains("\ndepth: the tip gets ") && Contains(" at most (proved), at (") &&
                          Contains("\nnearest found: "));
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  const auto& depth = plan["depth"];
  CHECK(depth["stops_short"] == true);
  CHECK(depth["at_most_mm"].get<double>() >= depth["reached_mm"].get<double>());
  CHECK(depth["at_most_mm"].get<double>() <= depth["target_mm"].get<double>());
  CHECK(plan["approach"]["distance_mm"].get<double>() > 3.0);
  // The page says it as well.
  CHECK_THAT(read_text(folder.path() / "out/page.html"),
             Contains("\"stops_short\":true") || Contains("stops_short"));
  // And the plan file is read back.
  const ProgramRun page = run_program(
      WITHY_PROGRAM,
      {"page", "out/plan.json", "-o", "page.html", "--scene", (kScenes / "airway/scene.toml").string()},
      folder.path());
  CAPTURE(page.err);
  CHECK(page.status == 0);
}

TEST_CASE(
    "check and plan say the same of a target that lies deeper than insertion goes, and plan says so at "
    "once") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, "");
  std::string text = read_text(folder.path() / "scene.toml");
  const auto at = text.find("insertion_max_mm = 160.0");
  REQUIRE(at != std::string::npos);
  text.replace(at, 24, "insertion_max_mm = 20.0");
  write_text(folder.path() / "scene.toml", text);
  const ProgramRun check = run_program(WITHY_PROGRAM, {"check", "scene.toml", "--quiet"}, folder.path());
  const ProgramRun plan =
      run_program(WITHY_PROGRAM, {"plan", "scene.toml", "--quiet", "-o", "out"}, folder.path());
  CAPTURE(check.out, plan.out, plan.err);
  CHECK_THAT(check.out, Contains("and insertion ends at 20.00 mm"));
  CHECK_THAT(plan.out, Contains("and insertion ends at 20.00 mm"));
  CHECK(plan.status == 3);
}

TEST_CASE("A plan passes the scene's places, its checker looks for them, and a place outside is refused") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, "\n[[via]]\npoint_mm = [0.0, 0.0, 30.0]\ntolerance_mm = 0.5\n");
  const auto json = plan_past_one_place(folder);
  REQUIRE(json["via_states"].size() == 1);
  const auto& state = json["states"][json["via_states"][0].get<std::size_t>()];
  CHECK(std::abs(state["tip_mm"][2].get<double>() - 30.0) <= 0.5);
  // A plan without them is told by the checker.
  const TemporaryFolder plain;
  copy_scene("straight", plain, "");
  const ProgramRun other = run_program(
      WITHY_PROGRAM, {"plan", "scene.toml", "--locks", "0", "--quiet", "-o", "out"}, plain.path());
  REQUIRE(other.status == 0);
  std::string text = read_text(plain.path() / "out/plan.json");
  const auto with = nlohmann::json::parse(text);
  const std::string sha = with["scene"]["sha256"], wanted = json["scene"]["sha256"];
  text.replace(text.find(sha), sha.size(), wanted);
  write_text(folder.path() / "plain.json", text);
  const ProgramRun recheck =
      run_program(WITHY_PROGRAM, {"recheck", "plain.json", "scene.toml", "--quiet"}, folder.path());
  CAPTURE(recheck.out, recheck.err);
  CHECK(recheck.status == 5);
  CHECK_THAT(recheck.out, Contains("no state of the way in has its tip at place 1 of those to pass"));
  const TemporaryFolder outside;
  copy_scene("straight", outside, "\n[[via]]\npoint_mm = [90.0, 0.0, 30.0]\ntolerance_mm = 0.5\n");
  const ProgramRun refused = run_program(WITHY_PROGRAM, {"plan", "scene.toml", "--quiet"}, outside.path());
  CHECK(refused.status == 2);
  CHECK_THAT(refused.err, Contains("the place to pass lies"));
}

TEST_CASE("A place at the start is passed there, for plan, its checks and recheck") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, "\n[[via]]\npoint_mm = [0.0, 0.0, 0.0]\ntolerance_mm = 1.0\n");
  const auto json = plan_past_one_place(folder);
  CHECK(json["via_states"] == nlohmann::json::array({0}));
}

TEST_CASE(
    "A plan from another state than the start is refused in a scene with places to pass, the way out is "
    "not") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, "\n[[via]]\npoint_mm = [0.0, 0.0, 30.0]\ntolerance_mm = 0.5\n");
  write_text(folder.path() / "state.json",
             R"({"format": "withy-state", "version": 1, "insertion_mm": 40.0, "locked": [],
                 "regions": [{"from_mm": 0, "to_mm": 100, "curvature_per_mm": [0, 0]}]})");
  const auto plan = [&](std::vector<std::string> more) {
    std::vector<std::string> arguments = {"plan",       "scene.toml", "--locks", "0",  "--from",
                                          "state.json", "--quiet",    "-o",      "out"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    return run_program(WITHY_PROGRAM, arguments, folder.path());
  };
  const ProgramRun on = plan({});
  CAPTURE(on.out, on.err);
  CHECK(on.status == 2);
  CHECK_THAT(on.err, Contains("which places are still to be passed"));
  CHECK(!fs::exists(folder.path() / "out"));
  CHECK(plan({"--out"}).status == 0);
}
