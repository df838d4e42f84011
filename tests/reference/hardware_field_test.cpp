// SPDX-License-Identifier: GPL-3.0-or-later
// Coils, magnets and torques against closed forms and integration from first principles.
#include <cmath>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

#include "planner/segment/field.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

/// Field (T) at `at` of a loop of radius R about z in the plane z = height, 1 A, by the law of Biot and
/// Savart (SI units).
Eigen::Vector3d loop_field_T(double R, double height, const Eigen::Vector3d& at) {
  constexpr int kParts = 20000;
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (int i = 0; i < kParts; ++i) {
    const double a = 2 * M_PI * (i + 0.5) / kParts;
    const Eigen::Vector3d from(R * std::cos(a), R * std::sin(a), height);
    const Eigen::Vector3d dl = 2 * M_PI * R / kParts * Eigen::Vector3d(-std::sin(a), std::cos(a), 0);
    const Eigen::Vector3d r = at - from;
    B += dl.cross(r) / std::pow(r.norm(), 3);
  }
  return 1.25663706212e-6 / (4 * M_PI) * B;
}

}  // namespace

TEST_CASE("the middle of a Helmholtz pair is as strong as the law of Biot and Savart says") {
  const double R = 0.12;
  const Eigen::Vector3d B = loop_field_T(R, R / 2, {0, 0, 0}) + loop_field_T(R, -R / 2, {0, 0, 0});
  CHECK_THAT(helmholtz_mT_per_A(1, 120), WithinRel(1e3 * B.z(), 1e-7));
}

TEST_CASE("the Helmholtz constant is the one that is quoted everywhere") {
  // B = 8.9918e-7 n I / R in SI units, and a textbook's pair of 85 turns, 10 cm, 3 A: 2.3 mT (problem in D.
  // C. Giancoli, "Physics for Scientists and Engineers", chapter on sources of magnetic field; value from
  // memory).
  CHECK_THAT(helmholtz_mT_per_A(1, 1000), WithinRel(8.9918e-4, 1e-5));
  CHECK_THAT(3.0 * helmholtz_mT_per_A(85, 100), WithinAbs(2.3, 0.05));
}

TEST_CASE("a magnet's moment is its remanence times its volume over the magnetic constant") {
  // A magnet of 1.1 T has 875 kA/m of magnetisation (common rule of thumb for neodymium magnets).
  CHECK_THAT(magnet_moment_Am2(1.1, 1000), WithinRel(875e3 * 1e-6, 2e-3));
}

TEST_CASE("the torque on a small loop of current in a uniform field is its moment crossed with the field") {
  // Integrate the force I dl x B about the centre of a square loop of 2 x 2 mm with 1 kA: m = I A = 4e-3 A
  // m^2. Then compare with what the least field says one lock of that moment needs: the field that just makes
  // tau at the far end of its stroke.
  const Eigen::Matrix3d R =
      Eigen::AngleAxisd(0.7, Eigen::Vector3d(1, -2, 0.5).normalized()).toRotationMatrix();
  DesignParts parts;
  parts.segment = {100, 1.5, 0, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 4e-3, 0.2, 1.3, 0.01, 0.004, 60};
  parts.layout.station_mm = {50};
  parts.layout.clock_rad = {0.4};
  parts.carriage = {CarriageKind::free, 160};
  parts.field = FieldHardware{10, {1, 1, 1}, Eigen::Matrix3d::Identity()};
  parts.R_SE = R;
  const Design design = Design::make(parts).value();
  const FieldNeed need = least_field(design, State{}, 0);
  REQUIRE(need.allowed());
  const Eigen::Vector3d tangent = R.col(2);
  double least = 1e9;
  for (int k = 0; k <= 100; ++k) {
    const double a = 0.4 + 0.2 + 1.1 * k / 100;
    const Eigen::Vector3d normal =
        R * Eigen::Vector3d(std::cos(a), std::sin(a), 0);  // of the loop: along its moment
    const Eigen::Vector3d side = tangent;
    const Eigen::Vector3d other = normal.cross(side);
    const Eigen::Vector3d corner[4] = {side + other, -side + other, -side - other,
                                       side - other};  // mm, about the normal
    Eigen::Vector3d torque_Nmm = Eigen::Vector3d::Zero();
    for (int i = 0; i < 4; ++i) {
      const Eigen::Vector3d edge = corner[(i + 1) % 4] - corner[i];
      const Eigen::Vector3d force_N = 1e3 * (1e-3 * edge).cross(1e-3 * *need.field_S);  // I (m) x (T)
      torque_Nmm += (0.5 * (corner[(i + 1) % 4] + corner[i])).cross(force_N);
    }
    least = std::min(least, torque_Nmm.dot(tangent));
  }
  CHECK_THAT(least, WithinRel(0.01, 1e-9));
}
