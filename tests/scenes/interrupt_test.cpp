// SPDX-License-Identifier: GPL-3.0-or-later
#include <catch2/catch.hpp>
#include <sys/stat.h>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

TEST_CASE("an interrupted program leaves at once, with status 130 and nothing written") {
  const std::filesystem::path assets = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/assets/scenes";
  TemporaryFolder folder;
  std::filesystem::copy(assets / "full.toml", folder.path() / "scene.toml");
  // A mesh that never comes: the program waits for it until it is interrupted.
  REQUIRE(mkfifo((folder.path() / "tube.off").c_str(), 0600) == 0);
  const auto before = folder.listing();
  constexpr double kLetItStart_s = 1.0;
  const ProgramRun run = run_program(WITHY_PROGRAM, {"plan", "scene.toml", "-o", "out", "--quiet"},
                                     folder.path(), kLetItStart_s);
  CHECK(run.status == 130);
  CHECK(run.out.empty());
  CHECK(run.err.empty());
  CHECK(folder.listing() == before);
}
