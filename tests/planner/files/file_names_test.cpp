// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/file_names.h"

#include <filesystem>

#include <catch2/catch.hpp>

using namespace withy;

TEST_CASE("A file names another as seen from itself, also from the working folder") {
  const auto here = std::filesystem::current_path();
  CHECK(named_from(here / "scenes/a.toml", here / "out") == "../scenes/a.toml");
  CHECK(named_from(here / "scenes/a.toml", "") == (here / "scenes/a.toml").generic_string());
  CHECK(named_beside(here / "scenes/a.toml", here / "out/no-way.proof") == "../scenes/a.toml");
  CHECK(named_beside(here / "scenes/a.toml", "no-way.proof") == "scenes/a.toml");
  CHECK(named_beside("a.toml", "no-way.proof") == "a.toml");
}
