// SPDX-License-Identifier: GPL-3.0-or-later
// One question asked in every way there is must have one answer. The scene is a bent tube with an open
// outlet; its three targets lie just before the outlet, where each is reached about 46 mm in. A larger
// insertion limit adds states and takes none away, so it can't make a reached target unreachable, nor can
// asking for many targets at once.
#include <sstream>

#include <catch2/catch.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

const fs::path kFolder = fs::path(WITHY_SOURCE_DIR) / "tests/assets/scenes/open-outlet";

std::string replaced(std::string text, const std::string& what, const std::string& by) {
  const std::size_t at = text.find(what);
  INFO("looking for " << what);
  REQUIRE(at != std::string::npos);
  return text.replace(at, what.size(), by);
}

/// The scene with its mesh named by its whole path, this insertion limit, and maybe another target.
std::string scene_with(const std::string& insertion_max, const std::string& target = "") {
  std::string text = read_text(kFolder / "scene.toml");
  text = replaced(text, "mesh = \"", "mesh = \"" + kFolder.string() + "/");
  text = replaced(text, "insertion_max_mm = 70.4", "insertion_max_mm = " + insertion_max);
  return target.empty() ? text : replaced(text, "4.952326, 0.000000, 44.231266", target);
}

}  // namespace

TEST_CASE("all ways of asking about an open outlet answer alike") {
  const TemporaryFolder folder;
  for (const char* limit : {"46.5", "60", "70.4", "75"}) {
    CAPTURE(limit);
    write_text(folder.path() / "scene.toml", scene_with(limit));
    const ProgramRun reach =
        run_program(WITHY_PROGRAM,
                    {"reach", "scene.toml", "--targets", (kFolder / "targets.csv").string(), "--locks", "0",
                     "--quiet", "-o", "out"},
                    folder.path());
    CHECK(reach.status == 0);
    std::istringstream rows(read_text(folder.path() / "out/reach.csv"));
    std::string row;
    std::getline(rows, row);
    int count = 0;
    for (; std::getline(rows, row); ++count) {
      CAPTURE(row);
      CHECK(row.find(",reached") != std::string::npos);
    }
    CHECK(count == 3);
    for (const char* target : {"4.996655, 0.000000, 44.426291", "4.952326, 0.000000, 44.231266",
                               "4.886199, 0.000000, 43.938645"}) {
      CAPTURE(target);
      write_text(folder.path() / "one.toml", scene_with(limit, target));
      const ProgramRun plan =
          run_program(WITHY_PROGRAM, {"plan", "one.toml", "--quiet", "-o", "plan"}, folder.path());
      CHECK(plan.status == 0);
    }
  }
}
