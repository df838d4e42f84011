// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/heed/heed_elasticity.h"

#include <catch2/catch.hpp>

using namespace withy;

TEST_CASE("locks that the elastic body does not engage with the ideal pulls are named, on notches") {
  DesignParts parts;
  parts.segment = {100.0, 1.5, 3.0, 0.04, 400.0};
  parts.carriage = {CarriageKind::free, 140.0};
  parts.latch = LatchHardware{0.5, 1.2, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.02, 0.02};
  const Design notched = *Design::make(parts);
  parts.latch->notch_pitch_mm = 0.0;
  const Design friction = *Design::make(parts);
  ElasticVerdict verdict;
  verdict.engagements = {{2, 0, 0.110, 0.0, {}, {}, 0.120}, {4, 1, 0.178, 0.0, {}, {}, 0.120}};
  CHECK(not_engaged_with_ideal_pulls(notched, verdict) ==
        "does not engage lock 2 at action 5 (0.178 mm off its notches, window and hunt reach 0.120 mm)");
  CHECK(not_engaged_with_ideal_pulls(friction, verdict).empty());
  verdict.engagements.pop_back();
  CHECK(not_engaged_with_ideal_pulls(notched, verdict).empty());
}

TEST_CASE("slides at the locks are those of one kind of pulls, or none where one lock was not looked at") {
  ElasticVerdict verdict;
  const Eigen::Vector2d ideal(0.1, -0.1);
  const Eigen::Vector2d compensated(0.001, 0.0);
  verdict.engagements = {{2, 0, 0.1, 0.001, ideal, compensated, 0.12}};
  CHECK(slides_of(verdict, SlidesOf::none)->empty());
  CHECK(slides_of(verdict, SlidesOf::ideal_pulls)->at(2) == ideal);
  CHECK(slides_of(verdict, SlidesOf::compensated_pulls)->at(2) == compensated);
  verdict.engagements.push_back({4, 1, kInfinity, 0.0, {}, compensated, 0.12});
  CHECK(!slides_of(verdict, SlidesOf::ideal_pulls));
  CHECK(slides_of(verdict, SlidesOf::compensated_pulls)->size() == 2);
}
