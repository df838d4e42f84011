// SPDX-License-Identifier: GPL-3.0-or-later
// Coils with places and magnets as dipoles against closed forms, published tables, and the law of Biot and
// Savart summed by brute force.
#include <cmath>
#include <random>

#include <Eigen/Geometry>
#include <boost/math/special_functions/ellint_1.hpp>
#include <boost/math/special_functions/ellint_2.hpp>
#include <catch2/catch.hpp>

#include "planner/segment/field.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

constexpr double kMu0_SI = 1.25663706212e-6;  // CODATA 2018

Coil coil_at(const Eigen::Vector3d& centre, const Eigen::Vector3d& axis, double radius, double turns) {
  return {centre, axis.normalized(), radius, turns, std::nullopt, std::nullopt};
}

/// The same coil as a polygon of many sides, each integrated in closed form (mT/A): a straight wire from a to
/// b, seen from p with u = a - p, v = b - p, makes mu0 / (4 pi) (|u| + |v|) / (|u| |v| (|u| |v| + u . v)) u x
/// v (closed form of the law of Biot and Savart for a straight piece; common in textbooks, from memory).
Eigen::Vector3d polygon_field(const Coil& coil, const Eigen::Vector3d& p, int sides) {
  const Eigen::Vector3d x = coil.axis_S.unitOrthogonal(), y = coil.axis_S.cross(x);
  // Of the same area as the circle.
  const double radius = coil.radius_mm * std::sqrt(2 * M_PI / sides / std::sin(2 * M_PI / sides));
  const auto corner = [&](int i) -> Eigen::Vector3d {
    const double a = 2 * M_PI * i / sides;
    return 1e-3 * (coil.centre_S + radius * (std::cos(a) * x + std::sin(a) * y) - p);
  };
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (int i = 0; i < sides; ++i) {
    const Eigen::Vector3d u = corner(i), v = corner(i + 1);
    const double a = u.norm(), b = v.norm();
    B += (a + b) / (a * b * (a * b + u.dot(v))) * u.cross(v);
  }
  return 1e3 * kMu0_SI / (4 * M_PI) * coil.turns * B;
}

}  // namespace

TEST_CASE("complete elliptic integrals are the tabulated ones") {
  // M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions", 1964, tables 17.1 and 17.2, by
  // parameter m = k^2; values from memory.
  struct Row {
    double m, K, E;
  };
  for (const Row& row :
       {Row{0.0, 1.570796326794897, 1.570796326794897}, Row{0.1, 1.612441348720219, 1.530757636897763},
        Row{0.5, 1.854074677301372, 1.350643881047675}, Row{0.9, 2.578092113348173, 1.104774732704073}}) {
    CAPTURE(row.m);
    CHECK_THAT(boost::math::ellint_1(std::sqrt(row.m)), WithinAbs(row.K, 1e-12));
    CHECK_THAT(boost::math::ellint_2(std::sqrt(row.m)), WithinAbs(row.E, 1e-12));
  }
}

TEST_CASE("on its axis a loop makes mu0 n I a^2 / (2 (a^2 + z^2)^(3/2))") {
  const Eigen::Vector3d axis = Eigen::Vector3d(1, -2, 0.5).normalized();
  const Coil coil = coil_at({10, 20, -5}, axis, 120, 85);
  for (const double z : {-300.0, -40.0, 0.0, 1e-3, 77.0, 2000.0}) {
    const double a_m = 0.12, z_m = 1e-3 * z;
    const double mT = 1e3 * kMu0_SI * 85 * a_m * a_m / (2 * std::pow(a_m * a_m + z_m * z_m, 1.5));
    CHECK((coil_field_mT_per_A(coil, coil.centre_S + z * axis) - mT * axis).norm() < 1e-12 * mT);
  }
}

TEST_CASE(
    "a Helmholtz pair is the sum of two loops all along its axis, (4/5)^(3/2) mu0 n / R in its middle") {
  const double R = 150, n = 220;
  const Eigen::Vector3d axis = Eigen::Vector3d::UnitX();
  const Coil left = coil_at(-0.5 * R * axis, axis, R, n), right = coil_at(0.5 * R * axis, axis, R, n);
  const auto field = [&](double x) {
    return (coil_field_mT_per_A(left, x * axis) + coil_field_mT_per_A(right, x * axis)).x();
  };
  CHECK_THAT(field(0), WithinRel(helmholtz_mT_per_A(n, R), 1e-12));
  // Closed form on the axis: mu0 n / (2 R) [ (1 + (1/2 + s)^2)^(-3/2) + (1 + (1/2 - s)^2)^(-3/2) ], s = x /
  // R.
  for (const double s : {-1.3, -0.2, 0.1, 0.45, 0.9}) {
    const double both = std::pow(1 + (0.5 + s) * (0.5 + s), -1.5) + std::pow(1 + (0.5 - s) * (0.5 - s), -1.5);
    CHECK_THAT(field(s * R), WithinRel(1e6 * kMu0_SI * n / (2 * R) * both, 1e-12));
  }
}

TEST_CASE("off its axis a loop makes what Biot and Savart say, in any frame") {
  const unsigned seed = 71;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> unit(-1, 1);
  const auto vector = [&](double size) -> Eigen::Vector3d {
    return size * Eigen::Vector3d(unit(random), unit(random), unit(random));
  };
  for (int trial = 0; trial < 60; ++trial) {
    const Coil coil = coil_at(vector(50), vector(1), 100, 10);
    Eigen::Vector3d p = coil.centre_S + vector(250);
    if (trial % 4 == 0)
      p = coil.centre_S + 200 * unit(random) * coil.axis_S + vector(trial % 8 == 0 ? 1e-3 : 1.0);
    if (distance_to_wire_mm(coil, p) < 10) continue;
    CAPTURE(trial, p.transpose());
    const Eigen::Vector3d exact = coil_field_mT_per_A(coil, p);
    // The polygon is off by some share of 1 / sides^2.
    const Eigen::Vector3d coarse = polygon_field(coil, p, 1000), fine = polygon_field(coil, p, 2000);
    CHECK((exact - fine).norm() <= 0.5 * (fine - coarse).norm() + 1e-9 * exact.norm());
    CHECK((exact - fine).norm() < 1e-5 * exact.norm() + 1e-9);
  }
}

TEST_CASE("a coil's bounds hold: its field and its change over any step that keeps off the wire") {
  const unsigned seed = 72;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> unit(-1, 1);
  const Coil coil = coil_at({0, 0, 0}, {0, 0, 1}, 100, 10);
  double closest = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    const Eigen::Vector3d p = 200 * Eigen::Vector3d(unit(random), unit(random), unit(random));
    const double wire = distance_to_wire_mm(coil, p);
    const double step = 0.9 * wire * std::pow(std::abs(unit(random)), 3);
    const Eigen::Vector3d q =
        p + step * Eigen::Vector3d(unit(random), unit(random), unit(random)).normalized();
    const double change = (coil_field_mT_per_A(coil, q) - coil_field_mT_per_A(coil, p)).norm();
    const double bound = coil_gradient_bound(coil, wire - step) * step;
    if (change > bound * (1 + 1e-9)) FAIL_CHECK("change, trial " << trial);
    if (coil_field_mT_per_A(coil, p).norm() > coil_field_bound(coil, wire))
      FAIL_CHECK("field, trial " << trial);
    closest = std::max(closest, change / bound);
  }
  CHECK(closest > 0.05);  // of the right size, too
}

TEST_CASE(
    "a magnet's field is a dipole's: twice as strong end on as beside, and that of a small coil far away") {
  const Eigen::Vector3d m(0, 0, 0.004);
  const double beside = 1e3 * kMu0_SI / (4 * M_PI) * 0.004 / std::pow(0.03, 3);
  CHECK((dipole_field_mT(m, {0, 0, 30}) - Eigen::Vector3d(0, 0, 2 * beside)).norm() < 1e-12);
  CHECK((dipole_field_mT(m, {30, 0, 0}) - Eigen::Vector3d(0, 0, -beside)).norm() < 1e-12);
  // A loop of moment n I A, seen from a hundred radii.
  const Coil loop = coil_at({0, 0, 0}, {0, 0, 1}, 1, 100);
  const Eigen::Vector3d moment(0, 0, 100 * M_PI * 1e-6);
  const Eigen::Vector3d far(70, -20, 60);
  CHECK((coil_field_mT_per_A(loop, far) - dipole_field_mT(moment, far)).norm() <
        1e-3 * dipole_field_mT(moment, far).norm());
}

TEST_CASE("two magnets of 0.004 A m2 side by side 7.4 mm apart turn one another with 0.0040 N mm at most") {
  // mu0 m^2 / (4 pi r^3) = 1e-7 * 1.6e-5 / (7.4e-3)^3 N m = 3.95e-6 N m, when they lie a quarter turn apart
  // (torque of a dipole in a dipole's field, from memory).
  DesignParts parts;
  parts.segment = {100, 1.5, 0, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout.station_mm = {40, 47.4};
  parts.layout.clock_rad = {0, 0};
  parts.carriage = {CarriageKind::free, 160};
  parts.field = FieldHardware{10, {1, 1, 1}, Eigen::Matrix3d::Identity()};
  const Design design = Design::make(parts).value();
  const LockPoses straight = lock_poses_E(design, State{});
  const double most = 1e-7 * 1.6e-5 / std::pow(7.4e-3, 3) * 1e3;
  CHECK_THAT(most, WithinAbs(0.0040, 6e-5));  // 0.00395
  CHECK_THAT(coupling_push_Nmm(design, straight, LockSet(0b00), 0), WithinAbs(0, 1e-15));
  // Lock 2 latched along y makes -y at lock 1, which turns its moment along x towards -y: onto the free stop.
  CHECK_THAT(coupling_push_Nmm(design, straight, LockSet(0b10), 0), WithinRel(-most, 1e-8));
  CHECK_THAT(coupling_push_Nmm(design, straight, LockSet(0b01), 0), WithinRel(-most, 1e-8));
}
