// SPDX-License-Identifier: GPL-3.0-or-later
// The centreline against the plain implementation (which reference/plain_body_test.cpp holds against closed
// forms).
#include "planner/segment/shape.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "tests/support/plain_twins.h"

namespace {

using namespace withy_plain;

// Rounding of a chain of up to ten arcs over 160 mm.
constexpr double kSamePoint_mm = 1e-10;
constexpr double kSameRotation = 1e-12;

// Stations behind the base, at every change of law, and anywhere.
std::vector<double> stations(const Robot& robot, const State& state, std::mt19937& random) {
  std::vector<double> out = {-12.5, 0, robot.scene.length_mm, exposed_from(robot, state.insertion_mm)};
  for (const auto& [from, to] : rigid_spans(robot)) out.insert(out.end(), {from, to, (from + to) / 2});
  for (int i = 0; i < 4; ++i) out.push_back(uniform(random, 0, robot.scene.length_mm));
  return out;
}

}  // namespace

TEST_CASE(
    "the centreline is the plain implementation's, for both carriages, rigid spans and any number of "
    "regions") {
  const unsigned seed = 20101311;
  CAPTURE(seed);
  std::mt19937 random(seed);
  for (int i = 0; i < 10000; ++i) {
    const Twins twins = random_twins(random);
    const State state = random_state(twins.robot, random);
    const Body plain(twins.robot, state);
    const withy::Shape shape(twins.design, twin_of(twins.robot, state));
    double worst_point = 0, worst_rotation = 0;
    for (const double s : stations(twins.robot, state, random)) {
      const Eigen::Isometry3d a = plain.pose_E(s), b = shape.pose_E(s);
      worst_point = std::max(worst_point, (a.translation() - b.translation()).norm());
      worst_rotation = std::max(worst_rotation, (a.linear() - b.linear()).cwiseAbs().maxCoeff());
    }
    CAPTURE(i, twins.robot.scene.guide, twins.robot.locks(), state.insertion_mm);
    REQUIRE(worst_point <= kSamePoint_mm);
    REQUIRE(worst_rotation <= kSameRotation);
  }
}

TEST_CASE("between two states of one motion the body is where the plain implementation says") {
  const unsigned seed = 20101312;
  CAPTURE(seed);
  std::mt19937 random(seed);
  for (int i = 0; i < 2000; ++i) {
    const Twins twins = random_twins(random);
    const State from = random_state(twins.robot, random);
    State to = from;
    to.insertion_mm = uniform(random, 0, 1.3 * twins.robot.scene.length_mm);
    to.regions.back().u = random_curvature(random);
    const withy::State a = twin_of(twins.robot, from);
    withy::State b = a;
    b.insertion_mm = to.insertion_mm;
    b.u_free = to.regions.back().u;
    const double t = uniform(random, 0, 1);
    const State middle = between(twins.robot, from, to, t);
    // A bend drawn wholly into the guide has no shape of its own: such a state breaks the curvature limit.
    bool drawn_in = false;
    for (std::size_t r = 0; r + 1 < middle.regions.size(); ++r) {
      const double f = flexible_length(twins.robot, middle.insertion_mm, middle.regions[r].from_mm,
                                       middle.regions[r].to_mm);
      drawn_in = drawn_in || (f < 1 && from.regions[r].u.norm() > 0);
    }
    if (drawn_in) continue;
    const Body plain(twins.robot, middle);
    const withy::Shape shape(twins.design, withy::interpolate(a, b, t));
    CAPTURE(i, t, twins.robot.scene.guide);
    for (const double s : stations(twins.robot, middle, random)) {
      REQUIRE((plain.point_E(s) - shape.point_E(s)).norm() <= kSamePoint_mm);
    }
  }
}

TEST_CASE("the centreline has unit speed and no kinks") {
  // |dp/ds| = 1 and t = dp/ds, by central differences (error of the order kappa^2 h^2 = 1e-11).
  const unsigned seed = 20101313;
  CAPTURE(seed);
  std::mt19937 random(seed);
  constexpr double kStep_mm = 1e-4;
  for (int i = 0; i < 2000; ++i) {
    const Twins twins = random_twins(random);
    const withy::Shape shape(twins.design, twin_of(twins.robot, random_state(twins.robot, random)));
    const double s = uniform(random, kStep_mm, twins.robot.scene.length_mm - kStep_mm);
    const Eigen::Vector3d slope =
        (shape.point_E(s + kStep_mm) - shape.point_E(s - kStep_mm)) / (2 * kStep_mm);
    CAPTURE(i, s);
    REQUIRE((slope - shape.tangent_E(s)).norm() < 1e-5);  // kappa h where s is a change of law
    REQUIRE((shape.pose_E(s).linear().transpose() * shape.pose_E(s).linear() - Eigen::Matrix3d::Identity())
                .norm() < 1e-12);
  }
}

TEST_CASE("the tip of the straight segment stands at the insertion depth on the advance axis") {
  const unsigned seed = 20101314;
  CAPTURE(seed);
  std::mt19937 random(seed);
  for (int i = 0; i < 100; ++i) {
    const Twins twins = random_twins(random);
    withy::State state;
    state.insertion_mm = uniform(random, 0, 200);
    const Eigen::Isometry3d tip = withy::Shape(twins.design, state).tip_E();
    CHECK((tip.translation() - Eigen::Vector3d(0, 0, state.insertion_mm)).norm() < 1e-12);
    CHECK(tip.linear().isIdentity(1e-15));
  }
}
