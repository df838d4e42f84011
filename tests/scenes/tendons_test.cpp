// SPDX-License-Identifier: GPL-3.0-or-later
// What the tendons can't do decides the plan: a tension limit that the shortest route breaks makes it take
// another, and two tendons don't bend the segment out of their plane.
#include <algorithm>
#include <filesystem>
#include <map>
#include <regex>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/support/edited_scene.h"
#include "tests/support/plain_plan.h"
#include "tests/support/plain_replay.h"

namespace {

using withy_test::EditedScene;

/// Edits that leave a scene's four tendons two, at these angles.
std::map<std::string, std::string> two_tendons_at(const std::string& angles_deg) {
  return {{"\nangles_deg = [0.0, 90.0, 180.0, 270.0]", "\nangles_deg = " + angles_deg},
          {R"(tendons = ["A", "B", "C", "U"])", R"(tendons = ["A", "B"])"}};
}

/// The scene of weak tendons with another tension limit, planned and replayed.
withy_plain::ListedPlan planned_at(const std::string& tension_max_N) {
  const EditedScene scene("weak-tendons", {{"tension_max_N = 4.0", "tension_max_N = " + tension_max_N}});
  const auto run = scene.plan();
  CAPTURE(tension_max_N, run.out, run.err);
  REQUIRE(run.status == 0);
  const std::string plan = (scene.folder() / "plan.json").string();
  CHECK(withy_plain::replay_plan(scene.file().string(), plan).empty());
  return withy_plain::read_plan(plan);
}

std::vector<std::string> kinds_in(const withy_plain::ListedPlan& plan) {
  std::vector<std::string> kinds;
  for (const auto& action : plan.actions)
    if (action.leg == "in") kinds.push_back(action.kind);
  return kinds;
}

/// The frozen region's curvature where the tip is at the target.
double frozen_curvature_per_mm(const withy_plain::ListedPlan& plan) {
  const auto& state = plan.states.at(kinds_in(plan).size()).state;
  REQUIRE(state.regions.size() == 2);
  return state.regions.front().u.norm();
}

}  // namespace

TEST_CASE("Where the shortest route breaks the tension limit, the plan takes another that keeps it") {
  const auto strong = planned_at("20.0");
  const auto weak = planned_at("4.0");
  // The shortest: freeze the base straight, bend the rest hard.
  CHECK(kinds_in(strong).size() < kinds_in(weak).size());
  CHECK(frozen_curvature_per_mm(strong) == 0.0);
  CHECK(strong.summary.numbers.at("tension_max_N") > 4.0);
  // The other: freeze a bend in the base, bend the rest gently.
  CHECK(frozen_curvature_per_mm(weak) > 0.0);
  CHECK(weak.summary.numbers.at("tension_max_N") <= 4.0);
}

TEST_CASE("Where the shortest route breaks the tension limit and there is no other, the verdict says so") {
  const EditedScene scene("weak-tendons", {{"notch_pitch_mm = 0.2", "notch_pitch_mm = 0.6"}});
  const auto run = scene.plan();
  CAPTURE(run.out, run.err);
  CHECK(run.status == 3);
  CHECK(std::regex_search(run.out, std::regex("tendon [12] would carry [0-9.]+ N at the base, above the "
                                              "limit of 4 N")));
}

TEST_CASE("Two tendons bend the segment in their plane, along either axis of the section, and no more") {
  const auto planned = [](const std::string& angles) {
    const EditedScene scene("planar-s", two_tendons_at(angles));
    const auto run = scene.plan();
    CAPTURE(angles, run.out, run.err);
    if (run.status == 0)
      CHECK(withy_plain::replay_plan(scene.file().string(), (scene.folder() / "plan.json").string()).empty());
    return run.status;
  };
  // The S lies in the x-z plane.
  CHECK(planned("[0.0, 180.0]") == 0);
  CHECK(planned("[90.0, 270.0]") == 3);
}

TEST_CASE("Two tendons in a plane that slants across the section get a proof, which its checker holds") {
  // Notches at 45 degrees hold no bend of a plane that is a degree off the section's x, but the straight one.
  const EditedScene scene("planar-s", two_tendons_at("[1.0, 181.0]"));
  const auto run = withy_test::run_program(
      WITHY_PROGRAM, {"plan", scene.file().string(), "--locks", "2", "--recheck", "--quiet"}, scene.folder());
  CAPTURE(run.out, run.err);
  CHECK(run.status == 3);
  CHECK(run.out.find("recheck holds: ") != std::string::npos);
}

TEST_CASE("Two tendons are refused a bend out of their plane, with that reason") {
  // The pocket lies 45 degrees out of the plane of the two tendons that are left.
  const EditedScene scene("fold-chamber", two_tendons_at("[0.0, 180.0]"));
  const auto run = scene.plan();
  CAPTURE(run.out, run.err);
  CHECK(run.status == 3);
  CHECK(run.out.find("the tendons can't bend the free region out of the tendons' plane") !=
        std::string::npos);
}
