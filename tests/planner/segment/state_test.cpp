// SPDX-License-Identifier: GPL-3.0-or-later
// Regions of a state: a case worked by hand, and the plain implementation on random ones.
#include "planner/segment/state.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "tests/support/plain_twins.h"

namespace {

using Catch::Matchers::WithinAbs;
using withy::CarriageKind;
using withy::Design;
using withy::DesignParts;

// 100 mm with locks of 4 mm at 30 and 60, a rigid tip of 10: 28 + 26 + 28 mm bend.
Design two_lock_design(CarriageKind kind) {
  DesignParts parts;
  parts.segment = {100, 1.5, 10, 0.05, 900};
  parts.lock = withy::LockHardware{4, 1.8, 0.004, 0, 1.5, 0.01, 0.004, 60};
  parts.layout = {{30, 60}, {0, 0}};
  parts.carriage = {kind, 150};
  const auto design = Design::make(parts);
  REQUIRE(design);
  return *design;
}

withy::State both_locked(double insertion_mm) {
  withy::State state;
  state.insertion_mm = insertion_mm;
  state.engaged.set(0).set(1);
  state.theta_frozen = {{0.28, 0}, {0, 0.52}};
  state.u_free = {0.01, -0.02};
  return state;
}

}  // namespace

TEST_CASE("the free carriage exposes all of every region's flexible length") {
  const Design design = two_lock_design(CarriageKind::free);
  for (const double d : {0.0, 20.0, 150.0}) {
    const auto regions = withy::regions_of(design, both_locked(d));
    REQUIRE(regions.size() == 3);
    CHECK(withy::first_exposed_station(design, d) == 0);
    CHECK_THAT(regions[0].flexible_mm, WithinAbs(28, 1e-12));
    CHECK_THAT(regions[1].flexible_mm, WithinAbs(26, 1e-12));
    CHECK_THAT(regions[2].flexible_mm, WithinAbs(28, 1e-12));
    CHECK((regions[0].u - Eigen::Vector2d(0.01, 0)).norm() < 1e-15);
    CHECK((regions[1].u - Eigen::Vector2d(0, 0.02)).norm() < 1e-15);
    CHECK((regions[2].theta - Eigen::Vector2d(0.28, -0.56)).norm() < 1e-12);
    CHECK(regions[0].end_lock == 0);
    CHECK(regions[1].end_lock == 1);
    CHECK_FALSE(regions[2].frozen());
  }
}

TEST_CASE("the guide exposes what is past the entry plane, and a frozen bend tightens as it goes in") {
  const Design design = two_lock_design(CarriageKind::guide);
  const auto at = [&](double d) { return withy::regions_of(design, both_locked(d)); };
  CHECK_THAT(at(86)[0].flexible_mm, WithinAbs(14, 1e-12));  // stations 14 to 28
  CHECK((at(86)[0].u - Eigen::Vector2d(0.02, 0)).norm() < 1e-15);
  CHECK_THAT(at(57)[1].flexible_mm, WithinAbs(15, 1e-12));  // stations 43 to 58
  CHECK((at(57)[1].u - Eigen::Vector2d(0, 0.52 / 15)).norm() < 1e-15);
  CHECK((at(57)[1].theta - Eigen::Vector2d(0, 0.52)).norm() < 1e-15);
  CHECK_THAT(at(39)[2].flexible_mm, WithinAbs(28, 1e-12));  // the entry plane cuts the second lock's body
  CHECK_THAT(at(25)[2].flexible_mm, WithinAbs(15, 1e-12));
  CHECK(at(5)[2].flexible_mm == 0);
}

TEST_CASE(
    "a frozen bend with no length left to bend over has no finite curvature, a straight one none at all") {
  const Design design = two_lock_design(CarriageKind::guide);
  withy::State state = both_locked(30);
  CHECK(std::isinf(withy::regions_of(design, state)[0].u.norm()));
  CHECK(std::isinf(withy::regions_of(design, state)[1].u.norm()));
  state.theta_frozen = {{0, 0}, {0, 0}};
  CHECK(withy::regions_of(design, state)[0].u.isZero(0));
  CHECK(withy::regions_of(design, state)[1].u.isZero(0));
  CHECK(withy::regions_of(design, state)[1].flexible_mm == 0);
}

TEST_CASE("regions, flexible lengths, bends and radii are the plain implementation's") {
  const unsigned seed = 31102010;
  CAPTURE(seed);
  std::mt19937 random(seed);
  for (int i = 0; i < 10000; ++i) {
    const auto twins = withy_plain::random_twins(random);
    const auto& robot = twins.robot;
    const auto state = withy_plain::random_state(robot, random);
    const auto regions = withy::regions_of(twins.design, withy_plain::twin_of(robot, state));
    CAPTURE(i, robot.scene.guide, state.insertion_mm);
    REQUIRE(regions.size() == state.regions.size());
    for (std::size_t r = 0; r < regions.size(); ++r) {
      const auto& plain = state.regions[r];
      REQUIRE(regions[r].from_mm == plain.from_mm);
      REQUIRE(regions[r].to_mm == plain.to_mm);
      const double f = withy_plain::flexible_length(robot, state.insertion_mm, plain.from_mm, plain.to_mm);
      REQUIRE_THAT(regions[r].flexible_mm, WithinAbs(f, 1e-12 * robot.scene.length_mm));
      REQUIRE((regions[r].theta - withy_plain::theta(robot, state, plain)).norm() <= 1e-13);
      REQUIRE((regions[r].u - plain.u).norm() <=
              1e-12 * plain.u.norm() * robot.scene.length_mm / std::max(f, 1e-6));
    }
    const double s = withy_plain::uniform(random, -10, robot.scene.length_mm);
    REQUIRE(twins.design.body_radius(s) == withy_plain::radius(robot, s));
  }
}
