// SPDX-License-Identifier: GPL-3.0-or-later
// A certificate before an outsider: its lines are read by what scenes/README.md says of them, and random
// walks from states at the target, by the plain implementation's allowed actions, never leave its set H. The
// start is not in it.
#include <catch2/catch.hpp>

#include "planner/proof/recheck/certificate.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "tests/support/plain_certificate.h"
#include "tests/support/plain_mesh.h"
#include "tests/support/plain_walks.h"

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

std::string proof_of(const std::filesystem::path& scene, int locks, withy_plain::Layout& layout) {
  const auto prepared = withy::prepare_scene(scene);
  REQUIRE(prepared);
  const auto problem = withy::make_problem(*prepared, locks);
  REQUIRE(problem);
  // A count that the scene has no layout for gets an even one.
  layout = {problem->design.layout().station_mm, problem->design.layout().clock_rad};
  withy::RouteSearchSettings settings;
  settings.effort = withy::Effort::of_work(20000000);
  withy::RouteSearch search(*problem, settings);
  REQUIRE(search.run(problem->goal) == withy::SearchOutcome::proved_none);
  auto certificate = withy::certify(*problem, search, settings);
  withy::name_scene(certificate, prepared->scene, prepared->wall().channel(), "scene.toml");
  return withy::recheck::write_certificate(certificate);
}

}  // namespace

TEST_CASE("no walk from the target leaves a certificate's set, as an outsider reads it") {
  constexpr unsigned kSeed = 5;
  const auto [name, locks] = GENERATE(std::pair("single-bend", 2), std::pair("single-bend", 3));
  CAPTURE(name, locks, kSeed);
  const auto scene = kScenes / name / "scene.toml";
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(scene.string());
  const std::string proof = proof_of(scene, locks, robot.layout);
  const withy_plain::Certificate certificate(proof, robot);
  withy_plain::State start;
  start.locked.assign(static_cast<std::size_t>(locks), false);
  start.regions.push_back({0.0, robot.scene.length_mm, {0.0, 0.0}});
  CHECK(!certificate.holds(start));

  const withy_plain::Solid solid = withy_plain::make_solid(
      withy_plain::read_mesh(robot.scene.mesh_path, robot.scene.mm_per_unit), robot.scene);
  withy_plain::Walker walker(robot, solid, kSeed);
  withy_plain::Walks walks;
  for (int i = 0; i < 60 && walks.starts < 6; ++i) {
    const auto near = walker.random_state();
    const auto goal = near ? walker.state_at_target(*near) : std::nullopt;
    if (goal) walker.walk(*goal, 25, walks);
  }
  CAPTURE(walks.starts, walks.switches(), certificate.leaves());
  CHECK(walks.starts > 0);
  CHECK(certificate.leaves() > 0);
  int outside = 0;
  for (const auto& state : walks.visited) outside += !certificate.holds(state);
  CHECK(outside == 0);
  CHECK(walks.visited.size() > 20);
}
