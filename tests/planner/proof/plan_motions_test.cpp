// SPDX-License-Identifier: GPL-3.0-or-later
// A motion that ends micrometres in front of the entry's plane, beside the opening. Closed form: the tip of
// an arc of curvature k over the length f, with a straight tip r long behind it, stands at d - L + sin(k f) /
// k + r cos(k f) along the entry's axis; no other point of the body stands nearer to the plane while k f < pi
// / 2.
#include "planner/proof/plans/plan_motions.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "tests/support/tube.h"

namespace withy::recheck {
namespace {

constexpr double kLength_mm = 100.0;
constexpr double kTip_mm = 3.0;
constexpr double kBend_per_mm = 0.003;

double depth_of_tip_mm(double curvature_per_mm) {
  const double angle = curvature_per_mm * (kLength_mm - kTip_mm);
  return kLength_mm - std::sin(angle) / curvature_per_mm - kTip_mm * std::cos(angle);
}

/// The segment straightens in front of the entry until its tip stands at z.
Step straightens_to(const Robot& robot, double tip_z_mm) {
  Step step;
  step.body = std::make_shared<Body>(robot, std::vector<int>{});
  step.to.d_lo = step.to.d_hi = depth_of_tip_mm(kBend_per_mm) + tip_z_mm;
  step.to.u = {Interval(kBend_per_mm), Interval(0.0)};
  step.from = step.to;
  step.from.u[0] = Interval(2.0 * kBend_per_mm);
  return step;
}

}  // namespace

TEST_CASE("a tip that stops micrometres in front of the entry's plane, beside the opening, touches nothing") {
  const auto channel =
      withy::testing::make_tube({.length_mm = 150.0, .radius_mm = 6.0, .bend_rad = 0.0}, 4000);
  const WallDistance distance(channel);
  const Wall wall(distance, 0.5);
  Robot robot;
  robot.segment.length_mm = kLength_mm;
  robot.segment.tip_rigid_mm = kTip_mm;
  robot.segment.radius_mm = 1.5;
  robot.insertion_max_mm = 150.0;
  const auto never = [] { return false; };
  for (const double off_mm : {1.0, 1e-3, 1e-5, 1e-7}) {
    CAPTURE(off_mm);
    CHECK(is_clear(straightens_to(robot, -off_mm), 0.2, wall, never));
    CHECK_FALSE(is_clear(straightens_to(robot, off_mm), 0.2, wall, never));
  }
}

}  // namespace withy::recheck
