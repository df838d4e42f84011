// SPDX-License-Identifier: GPL-3.0-or-later
// Two locks clocked alike can't be told apart by any field where the route needs it, and the verdict says so;
// clocked as `withy switch` advises, the same scene is reached (tests/scenes/plans_test.cpp plans it as
// shipped).
#include <filesystem>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace fs = std::filesystem;

TEST_CASE(
    "Locks clocked alike are proved not to reach for want of a field, and the shipped clocking is as good as "
    "what withy switch advises") {
  const fs::path shipped = fs::path(WITHY_SOURCE_DIR) / "scenes/triple-bend";
  const withy_test::TemporaryFolder folder;
  for (const auto& entry : fs::directory_iterator(shipped))
    fs::copy(entry.path(), folder.path() / entry.path().filename());
  const fs::path scene = folder.path() / "scene.toml";

  const auto advice = withy_test::run_program(
      WITHY_PROGRAM, {"switch", scene.string(), "--locks", "2", "--quiet", "-o", folder.path().string()},
      folder.path());
  CAPTURE(advice.out, advice.err);
  REQUIRE(advice.status == 0);
  const auto clocking =
      nlohmann::json::parse(withy_test::read_text(folder.path() / "switch.json")).at("clocking");
  const auto figure = [&](const char* which, const char* key) {
    return clocking.at(which).at(key).get<double>();
  };
  CHECK(figure("as_built", "base_up_share") == figure("widest", "base_up_share"));
  CHECK(figure("as_built", "base_up_most_mT") <= 1.01 * figure("widest", "base_up_most_mT"));
  CHECK(figure("as_built", "base_up_reserve") >= 1.499);  // what the scene wants

  std::string text = withy_test::read_text(scene);
  const std::string apart = "clock_deg = [0.0, 135.0]";
  const auto at = text.find(apart);
  REQUIRE(at != std::string::npos);
  text.replace(at, apart.size(), "clock_deg = [0.0, 0.0]");
  withy_test::write_text(scene, text);
  const auto alike = withy_test::run_program(
      WITHY_PROGRAM, {"plan", scene.string(), "--locks", "2", "--budget", "200", "--quiet"}, folder.path());
  CAPTURE(alike.out, alike.err);
  CHECK(alike.status == 3);
  CHECK(alike.out.find("no allowed field switches a lock") != std::string::npos);
}
