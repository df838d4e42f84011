// SPDX-License-Identifier: GPL-3.0-or-later
// The clearance of a stretch of the body, where a straight body in a straight tube gives it in closed form.
#include <algorithm>
#include <cmath>
#include <limits>

#include <catch2/catch.hpp>

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
  CHECK(verifier.clearance(from, to, {2.0, 9.0}).lower_mm == std::numeric_limits<double>::infinity());
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
    double least = std::numeric_limits<double>::infinity();
    for (double s = -40.0; s < 60.0; s += 7.0)
      least = std::min(least, verifier.clearance(from, to, {s, std::min(s + 7.0, 60.0)}).lower_mm);
    if (whole.upper_mm < 0.0) {
      CHECK(least < 0.0);
      continue;
    }
    CHECK(std::abs(least - whole.lower_mm) <= kClearanceSlack_mm);
  }
}
