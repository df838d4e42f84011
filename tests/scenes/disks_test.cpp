// SPDX-License-Identifier: GPL-3.0-or-later
// Spacer disks stand where they are on the segment whatever the locks do: a plan whose lock stands between
// two of them, end to end.
#include <algorithm>
#include <cmath>
#include <filesystem>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/plain_replay.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace fs = std::filesystem;

TEST_CASE(
    "Where disks are given, engaging and releasing a lock moves no pull, in the plan and in its script") {
  const fs::path scene = fs::path(WITHY_SOURCE_DIR) / "tests/assets/scenes/disks/scene.toml";
  const withy_test::TemporaryFolder folder;
  const auto planned = withy_test::run_program(
      WITHY_PROGRAM, {"plan", scene.string(), "--quiet", "-o", folder.path().string()}, folder.path());
  CAPTURE(planned.out, planned.err);
  REQUIRE(planned.status == 0);
  CHECK(withy_plain::replay_plan(scene.string(), (folder.path() / "plan.json").string()).empty());

  const auto plan = nlohmann::json::parse(withy_test::read_text(folder.path() / "plan.json"));
  int bent_switches = 0;
  for (const auto& action : plan["actions"]) {
    if (action["kind"] != "lock" && action["kind"] != "unlock") continue;
    const auto& from = plan["states"][action["from"].get<std::size_t>()];
    const auto& to = plan["states"][action["to"].get<std::size_t>()];
    double bend = 0.0;
    for (const auto& region : from["regions"])
      for (const auto& u : region["curvature_per_mm"]) bend = std::max(bend, std::abs(u.get<double>()));
    bent_switches += bend > 1e-3;
    for (std::size_t k = 0; k < from["pull_mm"].size(); ++k)
      CHECK(std::abs(from["pull_mm"][k].get<double>() - to["pull_mm"][k].get<double>()) < 1e-9);
  }
  CHECK(bent_switches >= 2);  // else nothing was shown

  const std::string script = withy_test::read_text(folder.path() / "script.csv");
  CHECK(script.find("take up") == std::string::npos);
  for (const char* name : {"script.csv", "script.ngc"}) {
    const auto replayed = withy_test::run_program(
        WITHY_PROGRAM, {"replay", (folder.path() / name).string(), scene.string(), "--quiet"}, folder.path());
    CAPTURE(name, replayed.out, replayed.err);
    CHECK(replayed.status == 0);
  }
}
