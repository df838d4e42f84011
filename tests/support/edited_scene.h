// SPDX-License-Identifier: GPL-3.0-or-later
// Shipped scenes, changed in a place or two. For tests of the built program.
#pragma once

#include <filesystem>
#include <map>
#include <string>

#include <catch2/catch.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {

/// A shipped scene with edits, in a folder of its own.
class EditedScene {
 public:
  EditedScene(const std::string& name, const std::map<std::string, std::string>& edits) {
    for (const auto& entry :
         std::filesystem::directory_iterator(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes" / name))
      std::filesystem::copy(entry.path(), folder_.path() / entry.path().filename());
    std::string text = read_text(file());
    for (const auto& [shipped, edited] : edits) {
      const auto at = text.find(shipped);
      CAPTURE(name, shipped);
      REQUIRE(at != std::string::npos);
      text.replace(at, shipped.size(), edited);
    }
    write_text(file(), text);
  }

  std::filesystem::path file() const { return folder_.path() / "scene.toml"; }
  const std::filesystem::path& folder() const { return folder_.path(); }

  ProgramRun plan(const std::string& budget_s = "60") const {
    return run_program(WITHY_PROGRAM,
                       {"plan", file().string(), "--locks", "1", "--budget", budget_s, "--ideal-pulls",
                        "--quiet", "-o", folder().string()},
                       folder());
  }

 private:
  TemporaryFolder folder_;
};

}  // namespace withy_test
