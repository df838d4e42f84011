// SPDX-License-Identifier: GPL-3.0-or-later
// What a unit does between two way-points is done here by hand: its axes are interpolated linearly, the body
// found from the pulls, and both are held against the plan's motion at a thousand places. Pulls and bodies
// come from the plain implementation.
#include "planner/script/waypoints.h"

#include <algorithm>
#include <random>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/script/tendon_inverse.h"
#include "tests/support/plain_twin.h"

using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

constexpr double kAllowed_mm = 0.01;  // the promise made to whoever runs a script

Eigen::VectorXd plain_pulls(const withy_plain::Robot& robot, const withy::Design& design,
                            const withy::State& state) {
  const auto pulls = withy_plain::pulls(robot, withy_test::plain_state(design, state));
  return Eigen::Map<const Eigen::VectorXd>(pulls.data(), static_cast<Eigen::Index>(pulls.size()));
}

double farthest_apart(const withy_plain::Robot& robot, const withy::Design& design, const withy::State& a,
                      const withy::State& b) {
  const withy_plain::Body body_a(robot, withy_test::plain_state(design, a));
  const withy_plain::Body body_b(robot, withy_test::plain_state(design, b));
  double most = 0.0;
  for (double s = 0.0; s <= design.length_mm(); s += 5.0)
    most = std::max(most, (body_a.point_E(s) - body_b.point_E(s)).norm());
  return most;
}

struct Worst {
  double pull_mm = 0.0;
  double body_mm = 0.0;
  std::size_t waypoints = 0;
};

Worst follow(const Bench& bench, const withy::State& from, const withy::State& to) {
  const auto robot = withy_test::plain_robot(bench);
  const withy::Design& design = bench.design();
  Worst worst;
  double t0 = 0.0;
  for (const double t1 : withy::waypoint_fractions(design, from, to)) {
    ++worst.waypoints;
    const Eigen::VectorXd p0 = plain_pulls(robot, design, withy::interpolate(from, to, t0));
    const Eigen::VectorXd p1 = plain_pulls(robot, design, withy::interpolate(from, to, t1));
    const int samples = std::max(20, static_cast<int>(1000.0 * (t1 - t0)));
    for (int i = 1; i < samples; ++i) {
      const double share = static_cast<double>(i) / samples;
      const withy::State planned = withy::interpolate(from, to, t0 + share * (t1 - t0));
      const Eigen::VectorXd pulls = p0 + share * (p1 - p0);
      worst.pull_mm =
          std::max(worst.pull_mm, (pulls - plain_pulls(robot, design, planned)).cwiseAbs().maxCoeff());
      withy::State made = planned;
      made.u_free = withy::free_bend_from_pulls(design, planned, pulls).u;
      worst.body_mm = std::max(worst.body_mm, farthest_apart(robot, design, made, planned));
    }
    t0 = t1;
  }
  CHECK(t0 == 1.0);
  return worst;
}

withy::State state_of(double d, double ux, double uy) {
  withy::State state;
  state.insertion_mm = d;
  state.u_free = {ux, uy};
  return state;
}

}  // namespace

TEST_CASE("With continuous tendons and the free carriage every motion takes one way-point") {
  const Bench bench;
  const Worst worst = follow(bench, state_of(10.0, 0.02, -0.03), state_of(90.0, -0.03, 0.02));
  CHECK(worst.waypoints == 1);
  CHECK(worst.pull_mm < 1e-9);
  CHECK(worst.body_mm < 1e-9);
}

TEST_CASE("With disks a bend takes way-points, as many as keep the unit within a hundredth of a millimetre") {
  const Bench bench({.disk_spacing_mm = 10.0});
  const Worst worst = follow(bench, state_of(60.0, 0.0, 0.0), state_of(60.0, 0.03, 0.02));
  CHECK(worst.waypoints > 2);
  CHECK(worst.pull_mm <= kAllowed_mm);
  CHECK(worst.body_mm <= kAllowed_mm);
}

TEST_CASE("With a guide, advancing at one curvature needs no way-points but where the tip leaves it") {
  const Bench bench({.guide = true});
  const Worst worst = follow(bench, state_of(0.0, 0.02, 0.01), state_of(100.0, 0.02, 0.01));
  // Theta grows with the exposed flexible length: kinks at the rigid tip's and the lock body's ends, straight
  // between.
  CHECK(worst.waypoints == 4);
  CHECK(worst.pull_mm <= kAllowed_mm);
  CHECK(worst.body_mm <= kAllowed_mm);
}

TEST_CASE("With a guide and disks, a straight advance still takes one way-point") {
  const Bench bench({.guide = true, .disk_spacing_mm = 10.0});
  CHECK(follow(bench, state_of(0.0, 0.0, 0.0), state_of(140.0, 0.0, 0.0)).waypoints == 1);
}

TEST_CASE("Random motions of every kind of bench stay within a hundredth of a millimetre") {
  constexpr unsigned kSeed = 99173;
  CAPTURE(kSeed);
  std::mt19937 random(kSeed);
  const std::vector<BenchOptions> benches = {
      {.guide = true},
      {.disk_spacing_mm = 8.0},
      {.guide = true, .disk_spacing_mm = 9.0},
      {.guide = true, .standing_motors = true, .disk_spacing_mm = 20.0},
      {.disk_spacing_mm = 15.0, .tendon_angles = "0.0, 120.0, 240.0", .axes = R"("A", "B", "C")"}};
  for (const BenchOptions& options : benches) {
    const Bench bench(options);
    std::uniform_real_distribution<double> depth(0.0, 150.0);
    std::uniform_real_distribution<double> curvature(-0.028, 0.028);
    for (int i = 0; i < 12; ++i) {
      withy::State from = state_of(depth(random), curvature(random), curvature(random));
      withy::State to = state_of(depth(random), curvature(random), curvature(random));
      // Half of them with the proximal region frozen; only outside the guide, where it stays within its
      // curvature limit.
      if (i % 2 == 1) {
        from.insertion_mm = 100.0 + 0.3 * from.insertion_mm;
        to.insertion_mm = 100.0 + 0.3 * to.insertion_mm;
        from = withy::after_lock(bench.design(), from, 0);
        to.engaged = from.engaged;
        to.theta_frozen = from.theta_frozen;
      }
      const Worst worst = follow(bench, from, to);
      CAPTURE(i, options.guide, options.disk_spacing_mm, from.insertion_mm, to.insertion_mm, worst.waypoints);
      CHECK(worst.pull_mm <= kAllowed_mm);
      CHECK(worst.body_mm <= kAllowed_mm);
    }
  }
}
