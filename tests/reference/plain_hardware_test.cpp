// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation's hardware numbers against closed forms and hand-worked cases.
#include "tests/support/plain_hardware.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "tests/support/plain_field.h"

namespace {

using Catch::Matchers::WithinAbs;
using namespace withy_plain;

constexpr double kPi = 3.14159265358979323846;

Robot robot_with_tendons(std::vector<double> angles) {
  Robot robot;
  robot.scene.length_mm = 100;
  robot.scene.rigidity_Nmm2 = 900;
  robot.scene.tendons.emplace();
  robot.scene.tendons->radius_mm = 1.2;
  robot.scene.tendons->angle_rad = std::move(angles);
  robot.scene.tendons->tension_min_N = 0.2;
  robot.scene.tendons->friction = 0.1;
  return robot;
}

Robot robot_with_locks(std::vector<double> clocks) {
  Robot robot;
  robot.scene.length_mm = 100;
  robot.scene.lock = Lock{4, 1.8, 0.004, 0, kPi / 2, 0.01, 0.004, 60};
  robot.scene.field.emplace();  // no ambient field
  for (std::size_t i = 0; i < clocks.size(); ++i) {
    robot.layout.station_mm.push_back(100.0 * static_cast<double>(i + 1) /
                                      static_cast<double>(clocks.size() + 1));
  }
  robot.layout.clock_rad = std::move(clocks);
  return robot;
}

State straight(const Robot& robot) {
  return {0, std::vector<bool>(robot.layout.station_mm.size(), false), {{0, 100, {0, 0}}}};
}

}  // namespace

TEST_CASE("plain: notches hold the bends that a hand count gives") {
  // Four backbones on the diagonals, pitch 0.5 mm, radius 1.2 mm: slides are 1.2 / sqrt(2) (+-x +-y).
  const Latch latch{0.5, 1.2, 0.02, 0.02, {kPi / 4, 3 * kPi / 4, 5 * kPi / 4, 7 * kPi / 4}};
  const double one = 0.5 / (1.2 / std::sqrt(2.0));  // rad of bend in x for one notch on every backbone
  CHECK_THAT(notch_miss(latch, {one, 0}), WithinAbs(0, 1e-12));
  CHECK_THAT(notch_miss(latch, {one / 2, one / 2}), WithinAbs(0, 1e-12));
  CHECK_THAT(notch_miss(latch, {one / 2, 0}), WithinAbs(0.25, 1e-12));
  CHECK_THAT(notch_miss(latch, {one * 1.02, 0}), WithinAbs(0.01, 1e-12));
  CHECK(notch_miss(Latch{0, 1.2, 0.02, 0.02, {0}}, {0.123, 0}) == 0);
}

TEST_CASE("plain: two tendons on either side share the moment, three others keep pretension") {
  const Robot robot = robot_with_tendons({0, kPi / 2, kPi, -kPi / 2});
  const auto T = tip_tensions(robot, {0.008, -0.004});
  REQUIRE(T);
  CHECK_THAT(T->at(0), WithinAbs(0.2 + 900 * 0.008 / 1.2, 1e-12));
  CHECK_THAT(T->at(1), WithinAbs(0.2, 1e-12));
  CHECK_THAT(T->at(2), WithinAbs(0.2, 1e-12));
  CHECK_THAT(T->at(3), WithinAbs(0.2 + 900 * 0.004 / 1.2, 1e-12));
}

TEST_CASE("plain: three tendons a third of a turn apart, by hand") {
  // M towards -x: tendons at +-120 degrees share it, each x with x cos(60 degrees) * 2 = M / r.
  const Robot robot = robot_with_tendons({0, 2 * kPi / 3, -2 * kPi / 3});
  const auto T = tip_tensions(robot, {-0.01, 0});
  REQUIRE(T);
  CHECK_THAT(T->at(0), WithinAbs(0.2, 1e-12));
  CHECK_THAT(T->at(1), WithinAbs(0.2 + 900 * 0.01 / 1.2, 1e-12));
  CHECK_THAT(T->at(2), WithinAbs(0.2 + 900 * 0.01 / 1.2, 1e-12));
}

TEST_CASE("plain: two opposite tendons bend in their plane and in no other") {
  const Robot robot = robot_with_tendons({0, kPi});
  REQUIRE(tip_tensions(robot, {0.01, 0}));
  CHECK_THAT(tip_tensions(robot, {-0.01, 0})->at(1), WithinAbs(0.2 + 7.5, 1e-12));
  CHECK_FALSE(tip_tensions(robot, {0.01, 0.001}));
}

TEST_CASE("plain: friction raises the tension at the base as the capstan equation says") {
  // exp(0.1 pi) = 1.369, the factor for half a turn at mu = 0.1 (e.g. J. L. Meriam and L. G. Kraige,
  // "Engineering Mechanics: Statics", belt friction, T2 / T1 = exp(mu beta)).
  const Robot robot = robot_with_tendons({0, kPi / 2, kPi, -kPi / 2});
  State state = straight(robot);
  state.regions[0].u = {kPi / 100, 0};
  const double at_tip = tip_tensions(robot, state.regions[0].u)->at(0);
  CHECK_THAT(base_tensions(robot, state)->at(0) / at_tip, WithinAbs(std::exp(0.1 * kPi), 1e-12));
  CHECK_THAT(std::exp(0.1 * kPi), WithinAbs(1.3691, 1e-4));
}

TEST_CASE("plain: with disks the pulls are chords, and with many disks those of continuous routing") {
  Robot robot = robot_with_tendons({0, kPi / 2, kPi, -kPi / 2});
  State state = straight(robot);
  state.regions[0].u = {0.02, 0};
  CHECK_THAT(pulls(robot, state)[0], WithinAbs(1.2 * 2.0, 1e-12));
  CHECK_THAT(pulls(robot, state)[2], WithinAbs(-1.2 * 2.0, 1e-12));
  robot.scene.tendons->disk_spacing_mm = 100;  // one gap: the whole arc's chord, at radius 50 - 1.2
  CHECK_THAT(pulls(robot, state)[0], WithinAbs(100 - 2 * std::sin(1.0) * (50 - 1.2), 1e-12));
  robot.scene.tendons->disk_spacing_mm = 30;  // three gaps and a third of one
  CHECK_THAT(pulls(robot, state)[1], WithinAbs(100 - 2 * 50 * (3 * std::sin(0.3) + std::sin(0.1)), 1e-12));
  robot.scene.tendons->disk_spacing_mm = 0.01;
  CHECK_THAT(pulls(robot, state)[0], WithinAbs(1.2 * 2.0, 1e-6));
  robot.scene.tendons->motors_ride = false;
  robot.scene.tendons->disk_spacing_mm = 0;
  state.insertion_mm = 7;
  CHECK_THAT(pulls(robot, state)[0], WithinAbs(1.2 * 2.0 - 7, 1e-12));
}

TEST_CASE("plain: without friction a lock carries the difference of the two regions' moments") {
  Robot robot = robot_with_tendons({0, kPi / 2, kPi, -kPi / 2});
  robot.scene.tendons->friction = 0;
  robot.layout = {{30, 60}, {0, 0}};
  robot.scene.lock.emplace();
  const State state{0, {false, true}, {{0, 60, {0.01, 0}}, {60, 100, {-0.005, 0.02}}}};
  const auto moment = lock_moments(robot, state);
  CHECK(moment[0] == 0);
  CHECK_THAT(moment[1], WithinAbs(900 * std::hypot(0.015, 0.02), 1e-12));
}

TEST_CASE(
    "plain: one lock with a quarter-turn stroke needs sqrt(2) tau / m, square across the middle of its "
    "stroke") {
  const Robot robot = robot_with_locks({0});
  const auto lock = least_field(robot, straight(robot), 0);
  REQUIRE(lock);
  CHECK((*lock - Eigen::Vector3d(-2.5, 2.5, 0)).norm() < 1e-9);
  State engaged = straight(robot);
  engaged.locked[0] = true;
  const auto unlock = least_field(robot, engaged, 0);
  REQUIRE(unlock);
  CHECK((*unlock - Eigen::Vector3d(2.5, -2.5, 0)).norm() < 1e-9);
}

TEST_CASE(
    "plain: on a straight segment a second lock clocked alike or a quarter turn on is switched too, half a "
    "turn on it is not") {
  // By hand: switching lock 1 needs By >= 2.5 and Bx <= -2.5 mT. A neighbour clocked alike would turn at By >
  // 1, one a quarter turn on at Bx < -1, one half a turn on at By < -1 only.
  for (const double clock : {0.0, kPi / 2}) {
    const Robot robot = robot_with_locks({0, clock});
    CHECK_FALSE(least_field(robot, straight(robot), 0));
  }
  const Robot opposed = robot_with_locks({0, kPi});
  const auto field = least_field(opposed, straight(opposed), 0);
  REQUIRE(field);
  // Its magnet, 33.3 mm on, lies along -x and so makes mu0 m / (4 pi r^3) along +x at lock 1, which the field
  // must undo there.
  const double r_m = 1e-3 * 100.0 / 3.0;
  const double neighbour_mT = 1e3 * 1.25663706212e-6 / (4 * kPi) * 0.004 / (r_m * r_m * r_m);
  CHECK((*field - Eigen::Vector3d(-2.5 - neighbour_mT, 2.5, 0)).norm() < 1e-9);
}

TEST_CASE("plain: the least field is the least that a scan of directions finds") {
  // Brute force: 20,000 random directions, then 5,000 around the best so far, ever closer; in each the least
  // strength that meets all torques, by bisection.
  const unsigned seed = 5;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::normal_distribution<double> gauss;
  std::uniform_real_distribution<double> clock(-kPi, kPi), curvature(-0.02, 0.02);
  int found = 0;
  for (int trial = 0; trial < 8; ++trial) {
    const Robot robot = robot_with_locks({clock(random), clock(random)});
    State state = straight(robot);
    state.regions[0].u = {curvature(random), curvature(random)};
    const int lock = trial % 2;
    double scanned = 30;
    Eigen::Vector3d best = Eigen::Vector3d::Zero();
    for (int i = 0; i < 25000; ++i) {
      const double spread = i < 20000 ? 1e3 : 0.1 * std::exp(-(i - 20000) / 700.0);
      const Eigen::Vector3d step(gauss(random), gauss(random), gauss(random));
      const Eigen::Vector3d B = (best + spread * step).normalized();
      if (reserve(robot, state, lock, scanned * B, 16) < 1) continue;
      double low = 0;
      while (scanned - low > 1e-5) {
        const double middle = (low + scanned) / 2;
        (reserve(robot, state, lock, middle * B, 16) < 1 ? low : scanned) = middle;
      }
      best = B;
    }
    const auto least = least_field(robot, state, lock);
    CAPTURE(trial, scanned);
    if (best.isZero()) {
      CHECK((!least || least->norm() > 20));  // a cone too narrow for the scan
      continue;
    }
    ++found;
    REQUIRE(least);
    CHECK(reserve(robot, state, lock, *least) >= 1 - 1e-8);
    CHECK(least->norm() <= scanned + 1e-9);
    CHECK(least->norm() >= scanned * (1 - 1e-3));
  }
  CHECK(found >= 4);
}

TEST_CASE("plain: currents are the field along each coil's axis over its constant") {
  Field field;
  field.coil_mT_per_A = {1.8, 2.0, 2.5};
  field.coil_axes_S << 0, 1, 0, 0, 0, 1, 1, 0, 0;
  CHECK((currents(field, {5, 3.6, 4}) - Eigen::Vector3d(2, 2, 2)).norm() < 1e-12);
}
