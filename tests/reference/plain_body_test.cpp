// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation's kinematics against closed forms, so that it may judge the planner's.
#include "tests/support/plain_body.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>
#include <unsupported/Eigen/MatrixFunctions>

#include "tests/support/plain_hardware.h"

namespace {

using Catch::Matchers::WithinAbs;
using namespace withy_plain;

constexpr double kPi = 3.14159265358979323846;
constexpr double kTight = 1e-12;

Robot bare_robot(double length_mm) {
  Robot robot;
  robot.scene.length_mm = length_mm;
  robot.scene.radius_mm = 1.5;
  robot.scene.rigidity_Nmm2 = 900;
  return robot;
}

State bent(double insertion_mm, double length_mm, const Eigen::Vector2d& u) {
  return {insertion_mm, {}, {{0, length_mm, u}}};
}

}  // namespace

TEST_CASE("plain: a quarter circle ends one radius across and one along, pointing across") {
  const double radius = 25;
  for (const double phi : {0.0, 0.7, kPi / 2, 3.0, -2.0}) {
    const Eigen::Isometry3d X = arc(Eigen::Vector2d(std::cos(phi), std::sin(phi)) / radius, kPi / 2 * radius);
    const Eigen::Vector3d across(std::cos(phi), std::sin(phi), 0);
    CHECK((X.translation() - radius * (across + Eigen::Vector3d::UnitZ())).norm() < kTight * radius);
    CHECK((X.linear().col(2) - across).norm() < kTight);
  }
}

TEST_CASE("plain: a full circle comes back to where it started") {
  const Eigen::Isometry3d X = arc({0.03, -0.04}, 2 * kPi / 0.05);
  CHECK(X.translation().norm() < 1e-11);
  CHECK((X.linear() - Eigen::Matrix3d::Identity()).norm() < 1e-12);
}

TEST_CASE("plain: a cantilever under an end moment M is a circle of radius EI / M") {
  // Euler-Bernoulli, "a rod under end couples is bent into a circle": A. E. H. Love, "A Treatise on the
  // Mathematical Theory of Elasticity", 4th ed., 1927, section 255. Here M comes from one tendon's pull: T
  // r_t.
  Robot robot = bare_robot(100);
  const double T = 9, r_t = 1.2;
  const double radius = robot.scene.rigidity_Nmm2 / (T * r_t);
  robot.scene.tendons.emplace();
  robot.scene.tendons->radius_mm = r_t;
  robot.scene.tendons->angle_rad = {0, kPi / 2, kPi, -kPi / 2};
  const Eigen::Vector2d u(1 / radius, 0);
  const auto tension = tip_tensions(robot, u);
  REQUIRE(tension);
  CHECK_THAT(tension->at(0), WithinAbs(T, 1e-12));
  const Body body(robot, bent(100, 100, u));
  for (double s = 0; s <= 100; s += 12.5) {
    CHECK_THAT((body.point_E(s) - Eigen::Vector3d(radius, 0, 0)).norm(), WithinAbs(radius, 1e-11));
  }
}

TEST_CASE("plain: an arc is the exponential of its twist, at every size of curvature") {
  // The arc transformation as exp of the twist (e_z, (-uy, ux, 0)) times l: Webster and Jones 2010,
  // section 3.1.4 (exponential coordinates); the matrix exponential is Eigen's.
  const unsigned seed = 20100013;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> angle(-kPi, kPi), exponent(-12, -1), length(0.1, 120);
  for (int i = 0; i < 2000; ++i) {
    const double phi = angle(random), kappa = std::pow(10, exponent(random)), l = length(random);
    const Eigen::Vector2d u(kappa * std::cos(phi), kappa * std::sin(phi));
    Eigen::Matrix4d twist = Eigen::Matrix4d::Zero();
    twist(0, 2) = u.x(), twist(2, 0) = -u.x();
    twist(1, 2) = u.y(), twist(2, 1) = -u.y();
    twist(2, 3) = 1;
    const Eigen::Matrix4d expected = (twist * l).exp();
    CAPTURE(i, kappa, phi, l);
    CHECK((arc(u, l).matrix() - expected).cwiseAbs().maxCoeff() < 1e-10);
  }
}

TEST_CASE("plain: rigid spans stay straight and only the rest bends") {
  // 20 mm of arc, a 10 mm lock, 20 mm of arc of the opposite curvature, a 5 mm tip: by plane geometry.
  Robot robot = bare_robot(55);
  robot.scene.tip_rigid_mm = 5;
  robot.scene.lock.emplace();
  robot.scene.lock->body_length_mm = 10;
  robot.scene.lock->body_radius_mm = 2;
  robot.layout = {{25}, {0}};
  const double kappa = kPi / 6 / 20;  // 30 degrees
  const State state{55, {true}, {{0, 25, {kappa, 0}}, {25, 55, {-kappa, 0}}}};
  const Body body(robot, state);
  const double rho = 1 / kappa, s = std::sin(kPi / 6), c = std::cos(kPi / 6);
  const Eigen::Vector3d lock_start(rho * (1 - c), 0, rho * s);
  const Eigen::Vector3d lock_end = lock_start + 10 * Eigen::Vector3d(s, 0, c);
  CHECK((body.point_E(20) - lock_start).norm() < kTight * 100);
  CHECK((body.point_E(30) - lock_end).norm() < kTight * 100);
  CHECK((body.point_E(50) - (lock_end + lock_start)).norm() < kTight * 100);
  CHECK((body.point_E(55) - (lock_end + lock_start + 5 * Eigen::Vector3d::UnitZ())).norm() < kTight * 100);
  CHECK((body.pose_E(55).linear() - Eigen::Matrix3d::Identity()).norm() < kTight);
  CHECK(radius(robot, 19.9) == 1.5);
  CHECK(radius(robot, 25) == 2);
  CHECK(radius(robot, 30.1) == 1.5);
  CHECK_THAT(theta(robot, state, state.regions[0]).x(), WithinAbs(kPi / 6, kTight));
}

TEST_CASE("plain: the shaft behind the base lies on the advance axis") {
  const Robot robot = bare_robot(40);
  const Body body(robot, bent(70, 40, {0.02, 0.01}));
  CHECK((body.point_E(0) - Eigen::Vector3d(0, 0, 30)).norm() < kTight);
  CHECK((body.point_E(-30) - Eigen::Vector3d(0, 0, 0)).norm() < kTight);
}

TEST_CASE(
    "plain: in the guide only what is past the entry plane bends, and a frozen region keeps its angle") {
  Robot robot = bare_robot(100);
  robot.scene.guide = true;
  robot.scene.lock.emplace();
  robot.layout = {{50}, {0}};
  const State out{100, {true}, {{0, 50, {0.01, 0}}, {50, 100, {0, 0.02}}}};
  State in = out;
  in.insertion_mm = 80;
  in.regions[1].u = {0, 0.01};
  const State half = between(robot, out, in, 0.5);  // d = 90: stations from 10 are out
  CHECK_THAT(half.regions[0].u.x(), WithinAbs(0.5 / 40, kTight));
  CHECK_THAT(half.regions[1].u.y(), WithinAbs(0.015, kTight));
  const Body body(robot, half);
  CHECK((body.point_E(10) - Eigen::Vector3d::Zero()).norm() < kTight);
  const double rho = 40 / 0.5;
  CHECK((body.point_E(50) - rho * Eigen::Vector3d(1 - std::cos(0.5), 0, std::sin(0.5))).norm() <
        kTight * 100);
  CHECK(flexible_length(robot, 30, 0, 50) == 0);
}
