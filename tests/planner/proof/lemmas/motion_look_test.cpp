// SPDX-License-Identifier: GPL-3.0-or-later
// The first look at a motion against the exact sweep (verify.h), which it must never contradict.
#include "planner/proof/lemmas/motion_look.h"

#include <random>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/verify.h"
#include "tests/support/tube.h"

using namespace withy;

namespace {

Design make_design(CarriageKind carriage) {
  DesignParts parts;
  parts.segment = {60.0, 1.5, 2.0, 0.04, 900.0};
  parts.lock = LockHardware{4.0, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 1e6};
  parts.layout.station_mm = {30.0};
  parts.layout.clock_rad = {0.0};
  parts.carriage = {carriage, carriage == CarriageKind::guide ? 60.0 : 100.0};
  return Design::make(parts).value();
}

}  // namespace

TEST_CASE(
    "A look calls a motion clear or not clear only as the exact sweep does, and mostly one of the two") {
  constexpr double kRequired_mm = 0.2;
  testing::TubeShape tube;
  tube.length_mm = 80.0;
  tube.bend_rad = 0.4;
  tube.waist_mm = 1.0;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 4000));
  const auto field = DistanceField::make(wall, 0.25);
  const ChannelDistance distance(wall, field);
  const unsigned seed = 17;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = make_design(carriage);
    // Outside the guide most of the body bends where the channel does not.
    const double most_per_mm = carriage == CarriageKind::free ? 0.003 : 0.012;
    const MotionLook look(design, field);
    const MotionVerifier verifier(design, distance);
    int plainly_clear = 0;
    int plainly_not = 0;
    int clear = 0;
    int not_clear = 0;
    for (int trial = 0; trial < 400; ++trial) {
      CAPTURE(trial);
      State from;
      from.insertion_mm = 30.0 + 25.0 * any(random);
      from.u_free = most_per_mm * Eigen::Vector2d(any(random), any(random));
      State to = from;
      to.insertion_mm = std::max(0.0, from.insertion_mm + 5.0 * any(random));
      to.u_free += 0.3 * most_per_mm * Eigen::Vector2d(any(random), any(random));
      if (!within_limits(design, from) || !within_limits(design, to)) continue;
      const MotionClearance exact = verifier.clearance(from, to);
      if (exact.lower_mm > kRequired_mm + 2.0 * kClearanceSlack_mm) ++plainly_clear;
      if (exact.upper_mm < kRequired_mm - 2.0 * kClearanceSlack_mm) ++plainly_not;
      const auto found = look.look(from, to, kRequired_mm, kRequired_mm + kClearanceSlack_mm);
      if (found == MotionLook::Finding::clear) {
        ++clear;
        CHECK(exact.upper_mm >= kRequired_mm + kClearanceSlack_mm);
      } else if (found == MotionLook::Finding::not_clear) {
        ++not_clear;
        CHECK(exact.lower_mm < kRequired_mm);
      }
    }
    CAPTURE(plainly_clear, plainly_not, clear, not_clear);
    CHECK(clear >= plainly_clear * 9 / 10);
    CHECK(not_clear >= plainly_not * 9 / 10);
    CHECK(plainly_clear > 50);
    CHECK(plainly_not > 50);
  }
}
