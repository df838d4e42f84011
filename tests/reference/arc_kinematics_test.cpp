// SPDX-License-Identifier: GPL-3.0-or-later
// Arc kinematics against the published transformation and its limits.
//
// R. J. Webster III and B. A. Jones, "Design and Kinematic Modeling of Constant Curvature Continuum Robots: A
// Review", Int. J. Robotics Research 29(13), 2010, equation 2: the transformation of an arc of parameters
// kappa, phi, s, whose tip frame is turned by phi about the tangent. The planner's form is without that
// torsion, so it is undone here on the right.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>
#include <unsupported/Eigen/MatrixFunctions>

#include "planner/segment/shape.h"

namespace {

constexpr double kPi = 3.14159265358979323846;

Eigen::Vector2d curvature(double kappa, double phi) {
  return {kappa * std::cos(phi), kappa * std::sin(phi)};
}

Eigen::Matrix4d published(double kappa, double phi, double s) {
  const double cp = std::cos(phi), sp = std::sin(phi), c = std::cos(kappa * s), si = std::sin(kappa * s);
  Eigen::Matrix4d T;
  T << cp * c, -sp, cp * si, cp * (1 - c) / kappa,  //
      sp * c, cp, sp * si, sp * (1 - c) / kappa,    //
      -si, 0, c, si / kappa,                        //
      0, 0, 0, 1;
  return T;
}

Eigen::Matrix4d untwisted(double phi) {
  Eigen::Matrix4d T = Eigen::Matrix4d::Identity();
  T.topLeftCorner<3, 3>() = Eigen::AngleAxisd(-phi, Eigen::Vector3d::UnitZ()).toRotationMatrix();
  return T;
}

withy::Design plain_segment(double length_mm) {
  withy::DesignParts parts;
  parts.segment = {length_mm, 1.5, 0, 0.1, 900};
  parts.carriage = {withy::CarriageKind::free, 200};
  const auto design = withy::Design::make(parts);
  REQUIRE(design);
  return *design;
}

withy::State bent(double insertion_mm, const Eigen::Vector2d& u) {
  withy::State state;
  state.insertion_mm = insertion_mm;
  state.u_free = u;
  return state;
}

}  // namespace

TEST_CASE("an arc is Webster and Jones 2010, equation 2, with the torsion taken out") {
  const unsigned seed = 2902;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> kappa(1e-3, 0.08), phi(-kPi, kPi), length(0.1, 150);
  for (int i = 0; i < 10000; ++i) {
    const double k = kappa(random), p = phi(random), s = length(random);
    CAPTURE(i, k, p, s);
    const Eigen::Matrix4d expected = published(k, p, s) * untwisted(p);
    // The published form loses digits to 1 - cos: 1e-16 / kappa.
    REQUIRE((withy::arc_pose(curvature(k, p), s).matrix() - expected).cwiseAbs().maxCoeff() < 1e-12);
  }
}

TEST_CASE("a quarter, a half and a full circle end where a circle does") {
  const double radius = 40;
  for (const double phi : {0.0, kPi / 2, kPi, -kPi / 3}) {
    const Eigen::Vector2d u = curvature(1 / radius, phi);
    const Eigen::Vector3d across(std::cos(phi), std::sin(phi), 0);
    const Eigen::Isometry3d quarter = withy::arc_pose(u, kPi / 2 * radius);
    const Eigen::Isometry3d half = withy::arc_pose(u, kPi * radius);
    const Eigen::Isometry3d full = withy::arc_pose(u, 2 * kPi * radius);
    CHECK((quarter.translation() - radius * (across + Eigen::Vector3d::UnitZ())).norm() < 1e-12);
    CHECK((quarter.linear().col(2) - across).norm() < 1e-14);
    CHECK((half.translation() - 2 * radius * across).norm() < 1e-12);
    CHECK((half.linear().col(2) + Eigen::Vector3d::UnitZ()).norm() < 1e-14);
    CHECK(full.translation().norm() < 1e-12);
    CHECK(full.linear().isIdentity(1e-14));
  }
}

TEST_CASE("two equal arcs bent to opposite sides make an S that points along again") {
  const Eigen::Isometry3d X = withy::arc_pose({0.02, 0}, 30) * withy::arc_pose({-0.02, 0}, 30);
  const double theta = 0.6;
  CHECK((X.translation() - 2 * Eigen::Vector3d(50 * (1 - std::cos(theta)), 0, 50 * std::sin(theta))).norm() <
        1e-12);
  CHECK(X.linear().isIdentity(1e-14));
}

TEST_CASE("an arc cut in two is the same arc, at every size of curvature") {
  const unsigned seed = 2903;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> exponent(-16, -1.2), phi(-kPi, kPi), length(0.1, 150), part(0, 1);
  for (int i = 0; i < 10000; ++i) {
    const Eigen::Vector2d u = curvature(std::pow(10, exponent(random)), phi(random));
    const double l = length(random), cut = part(random) * l;
    CAPTURE(i, u.transpose(), l, cut);
    const Eigen::Matrix4d whole = withy::arc_pose(u, l).matrix();
    const Eigen::Matrix4d parts = (withy::arc_pose(u, cut) * withy::arc_pose(u, l - cut)).matrix();
    REQUIRE((whole - parts).cwiseAbs().maxCoeff() < 1e-12);
  }
}

TEST_CASE("an arc is the exponential of its twist down to no curvature at all") {
  // Webster and Jones 2010 derive equation 2 also through exponential coordinates; the matrix exponential is
  // Eigen's.
  const unsigned seed = 2904;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> exponent(-18, -1.2), phi(-kPi, kPi), length(0.1, 150);
  for (int i = 0; i < 3000; ++i) {
    const Eigen::Vector2d u =
        i == 0 ? Eigen::Vector2d(0, 0) : curvature(std::pow(10, exponent(random)), phi(random));
    const double l = length(random);
    Eigen::Matrix4d twist = Eigen::Matrix4d::Zero();
    twist(0, 2) = u.x(), twist(2, 0) = -u.x();
    twist(1, 2) = u.y(), twist(2, 1) = -u.y();
    twist(2, 3) = 1;
    CAPTURE(i, u.transpose(), l);
    const Eigen::Matrix4d expected = (twist * l).exp();
    REQUIRE((withy::arc_pose(u, l).matrix() - expected).cwiseAbs().maxCoeff() < 1e-11);
  }
}

TEST_CASE("near no curvature the tip moves across by kappa l^2 / 2 and falls short by kappa^2 l^3 / 6") {
  // First terms of the series of the published form; the next ones are smaller by (kappa l)^2.
  const double l = 100;
  for (double kappa = 1e-18; kappa < 2e-5; kappa *= 7) {
    const Eigen::Vector3d tip = withy::arc_pose({kappa, 0}, l).translation();
    CAPTURE(kappa);
    CHECK(std::abs(tip.x() - kappa * l * l / 2) <= kappa * l * l / 2 * (kappa * l) * (kappa * l));
    CHECK(std::abs(l - tip.z() - kappa * kappa * l * l * l / 6) <= 1e-10 + l * std::pow(kappa * l, 4));
  }
}

TEST_CASE("a segment under an end moment M lies on a circle of radius EI / M") {
  // Euler-Bernoulli: A. E. H. Love, "A Treatise on the Mathematical Theory of Elasticity", 4th ed., 1927,
  // section 255.
  const withy::Design design = plain_segment(100);
  const double M = 14.4, radius = design.segment().flexural_rigidity_Nmm2 / M;
  const withy::Shape shape(design, bent(100, {0, M / design.segment().flexural_rigidity_Nmm2}));
  for (double s = 0; s <= 100; s += 5) {
    CHECK(std::abs((shape.point_E(s) - Eigen::Vector3d(0, radius, 0)).norm() - radius) < 1e-12);
  }
  const double closing = 2 * kPi * 900 / 100;  // M that closes the 100 mm to a full circle
  CHECK(withy::Shape(design, bent(100, {closing / 900, 0})).tip_E().translation().norm() < 1e-12);
}
