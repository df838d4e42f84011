// SPDX-License-Identifier: GPL-3.0-or-later
// The clearance of a stretch of the body, where a straight body in a straight tube gives it in closed form.
#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/verify.h"
#include "tests/support/tube.h"

using namespace withy;

namespace {

constexpr double kTube_mm = 4.0;
constexpr double kRadius_mm = 1.5;
constexpr double kLockRadius_mm = 2.0;
// Facets of a tube of 20000 triangles cut less than this off its radius.
constexpr double kSag_mm = 0.02;

Design make_design() {
  DesignParts parts;
  parts.segment = {60.0, kRadius_mm, 2.0, 0.04, 900.0};
  parts.lock = LockHardware{4.0, kLockRadius_mm, 0.004, 0.0, 1.57, 0.01, 0.004, 1e6};
  parts.layout.station_mm = {30.0};
  parts.layout.clock_rad = {0.0};
  parts.carriage = {CarriageKind::free, 100.0};
  return Design::make(parts).value();
}

}  // namespace

TEST_CASE("a stretch of the body has the clearance of its own radius, and only if it passes the entry") {
  testing::TubeShape tube;
  tube.radius_mm = kTube_mm;
  tube.length_mm = 120.0;
  tube.bend_rad = 0.0;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 20000));
  const ChannelDistance distance(wall, DistanceField::make(wall, 0.25));
  const Design design = make_design();
  const MotionVerifier verifier(design, distance);
  State from;
  State to;
  to.insertion_mm = 50.0;
  const auto is = [&](const BodyStretch& stretch, double expected) {
    const MotionClearance found = verifier.clearance(from, to, stretch);
    CHECK(found.lower_mm <= expected);
    CHECK(found.lower_mm >= expected - kSag_mm - kClearanceSlack_mm);
  };
  is({29.0, 31.0}, kTube_mm - kLockRadius_mm);  // the lock's
  is({35.0, 60.0}, kTube_mm - kRadius_mm);      // between lock and tip
  is({}, kTube_mm - kLockRadius_mm);
  // At 50 mm the stations below 10 are still before the entry.
  CHECK(verifier.clearance(from, to, {2.0, 9.0}).lower_mm == kInfinity);
}

TEST_CASE("stretch by stretch the least clearance is that of the body") {
  testing::TubeShape tube;
  tube.length_mm = 80.0;
  tube.bend_rad = 0.4;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 4000));
  const ChannelDistance distance(wall, DistanceField::make(wall, 0.25));
  const Design design = make_design();
  const MotionVerifier verifier(design, distance);
  for (int i = 0; i < 20; ++i) {
    State from;
    from.insertion_mm = 20.0 + 2.0 * i;
    from.u_free = {0.0004 * i, 0.0};
    State to = from;
    to.insertion_mm += 4.0;
    to.u_free.y() = 0.001;
    const MotionClearance whole = verifier.clearance(from, to);
    double least = kInfinity;
    for (double s = -40.0; s < 60.0; s += 7.0)
      least = std::min(least, verifier.clearance(from, to, {s, std::min(s + 7.0, 60.0)}).lower_mm);
    if (whole.upper_mm < 0.0) {
      CHECK(least < 0.0);
      continue;
    }
    CHECK(std::abs(least - whole.lower_mm) <= kClearanceSlack_mm);
  }
}

TEST_CASE("a stretch is said to keep what it keeps, whatever boxes it is tried in") {
  // Coarse boxes answer first; the slow twin is the clearance itself, which knows first ones and smaller
  // only.
  const auto seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  const auto between = [&](double a, double b) {
    return std::uniform_real_distribution<double>(a, b)(random);
  };
  int told = 0;
  for (const auto& [bend_rad, far_end] :
       {std::pair{0.0, Outlets::closed}, {0.4, Outlets::closed}, {0.4, Outlets::open}}) {
    testing::TubeShape tube;
    tube.length_mm = 50.0;
    tube.bend_rad = bend_rad;
    tube.far_end = far_end;
    const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 4000));
    const ChannelDistance distance(wall, DistanceField::make(wall, 0.25));
    const Design design = make_design();
    const MotionVerifier verifier(design, distance);
    for (int i = 0; i < 60; ++i) {
      State from;
      from.insertion_mm = between(0.0, 52.0);
      from.u_free = {between(-0.01, 0.01), between(-0.01, 0.01)};
      State to = from;
      to.insertion_mm += between(0.0, 6.0);
      to.u_free += Eigen::Vector2d(between(-0.004, 0.004), between(-0.004, 0.004));
      const double s0 = between(-5.0, 55.0);
      const BodyStretch stretch{s0, std::min(60.0, s0 + between(0.5, 25.0))};
      const MotionClearance is = verifier.clearance(from, to, stretch);
      for (const double off : {-0.5, -0.1, -0.06, -0.01, 0.01, 0.1}) {
        const double required = std::isfinite(is.lower_mm) ? std::max(0.0, is.lower_mm + off) : 0.0;
        const bool keeps = verifier.compare(from, to, required, stretch).lower_mm >= required;
        CAPTURE(i, bend_rad, is.lower_mm, is.upper_mm, required, keeps);
        if (keeps) CHECK(is.upper_mm >= required);
        if (is.lower_mm >= required + 0.05) CHECK(keeps);
        told += keeps;
      }
    }
  }
  CHECK(told > 200);
}
