// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers for people: read back, they are on the side that is promised, and near.
#include "planner/files/shown.h"

#include <random>

#include <catch2/catch.hpp>

using namespace withy;

TEST_CASE("six digits at most, and limits on their safe side") {
  CHECK(shown(0.05 + 0.01) == "0.06");
  CHECK(shown(0.060000000000000005) == "0.06");
  CHECK(shown_at_most(0.8853556650576014) == "0.885355");
  CHECK(shown_at_least(517.8646848224159) == "517.865");
  CHECK(shown_at_least(517.8641) == "517.865");
  CHECK(shown_at_most(9.9999999) == "9.99999");
  CHECK(shown_at_least(0.0) == "0");
  CHECK(shown_at_most(1.5) == "1.5");
  constexpr unsigned kSeed = 4;
  INFO("seed " << kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> power(-6.0, 6.0), sign(-1.0, 1.0);
  for (int turn = 0; turn < 20000; ++turn) {
    const double value = std::copysign(std::pow(10.0, power(random)), sign(random));
    const double most = std::stod(shown_at_most(value)), least = std::stod(shown_at_least(value));
    REQUIRE(most <= value);
    REQUIRE(least >= value);
    REQUIRE(least - most <= 2.1e-5 * std::abs(value));
  }
}
