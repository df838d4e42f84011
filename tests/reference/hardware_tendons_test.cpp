// SPDX-License-Identifier: GPL-3.0-or-later
// Tendons against what the field has published: lengths, end moments, friction, and one published robot.
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/segment/hardware.h"
#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

constexpr double kDegree = M_PI / 180.0;

/// A segment without locks or tip.
struct Rod {
  double length_mm = 100;
  double rigidity_Nmm2 = 900;
  double tendon_radius_mm = 1.2;
  std::vector<double> tendon_deg = {90, 330, 210};
  double disk_spacing_mm = 0;
  double pretension_N = 0;
};

Design design_of(const Rod& rod) {
  DesignParts parts;
  parts.segment = {rod.length_mm, 0.5, 0, 1.0, rod.rigidity_Nmm2};
  TendonHardware tendons{rod.tendon_radius_mm, {}, rod.disk_spacing_mm, 1e3, rod.pretension_N, 1e6, 0,
                         Motors::ride};
  for (const double a : rod.tendon_deg) tendons.angle_rad.push_back(a * kDegree);
  parts.tendons = tendons;
  parts.carriage = {CarriageKind::free, 500};
  return Design::make(parts).value();
}

State bent(const Eigen::Vector2d& u) {
  State state;
  state.u_free = u;
  return state;
}

/// Arc parameters from three tendon lengths at 90, 330 and 210 degrees, n gaps between disks: B. A. Jones and
/// I. D. Walker, "Kinematics for Multisection Continuum Robots", IEEE Trans. Robotics 22(1), 2006 (curvature,
/// direction and length of a section from its three cable lengths).
struct Arc {
  double kappa;
  double phi;
  double length;
};
Arc arc_from_lengths(const Eigen::Vector3d& l, double r, int n) {
  const double g = std::sqrt(l.squaredNorm() - l(0) * l(1) - l(0) * l(2) - l(1) * l(2));
  Arc arc{};
  arc.kappa = 2 * g / (r * l.sum());
  arc.phi = std::atan2(std::sqrt(3.0) * (l(1) + l(2) - 2 * l(0)), 3 * (l(2) - l(1)));
  arc.length = n * r * l.sum() / g * std::asin(g / (3 * n * r));
  return arc;
}

}  // namespace

TEST_CASE("the published inverse for three tendons gives back the bend that our pulls came from") {
  Rod rod;
  for (const int gaps : {1, 2, 5, 10, 40}) {
    rod.disk_spacing_mm = rod.length_mm / gaps;
    const Design design = design_of(rod);
    for (const double phi : {-2.5, -0.3, 0.0, 1.0, 2.9}) {
      const double kappa = 0.017;
      const State state = bent(kappa * Eigen::Vector2d(std::cos(phi), std::sin(phi)));
      const Eigen::VectorXd pull = tendon_pulls(design, regions_of(design, state), 0);
      const Arc arc =
          arc_from_lengths(Eigen::Vector3d::Constant(rod.length_mm) - pull, rod.tendon_radius_mm, gaps);
      CAPTURE(gaps, phi);
      CHECK_THAT(arc.kappa, WithinRel(kappa, 1e-9));
      CHECK_THAT(arc.phi, WithinAbs(phi, 1e-9));
      CHECK_THAT(arc.length, WithinRel(rod.length_mm, 1e-9));
    }
  }
}

TEST_CASE("with ever more disks the published tendon lengths become those of continuous routing") {
  Rod rod;
  const State state = bent({0.02, 0.01});
  const Design continuous = design_of(rod);
  const Eigen::VectorXd limit = tendon_pulls(continuous, regions_of(continuous, state), 0);
  rod.disk_spacing_mm = rod.length_mm / 1000;
  const Design many = design_of(rod);
  CHECK_THAT((tendon_pulls(many, regions_of(many, state), 0) - limit).cwiseAbs().maxCoeff(),
             WithinAbs(0, 1e-4));
}

TEST_CASE("a tendon's end moment bends the segment as a handbook's cantilever") {
  // Cantilever under an end moment M: end slope M L / EI, end deflection M L^2 / (2 EI) (W. C. Young and R.
  // G. Budynas, "Roark's Formulas for Stress and Strain", 7th ed. 2002, table 8.1, case 3a; small
  // deflections).
  Rod rod;
  rod.tendon_deg = {0, 90, 180, 270};
  const Design design = design_of(rod);
  const TendonStatics statics(*design.tendons());
  const double M = 0.05;  // N mm: 5.6 mrad of end slope
  const auto T = statics.tensions({M, 0});
  REQUIRE(T);
  CHECK_THAT((*T)(0) * rod.tendon_radius_mm, WithinRel(M, 1e-12));
  const Eigen::Isometry3d tip = Shape(design, bent({M / rod.rigidity_Nmm2, 0})).tip_E();
  CHECK_THAT(std::atan2(tip.linear()(0, 2), tip.linear()(2, 2)),
             WithinRel(M * rod.length_mm / rod.rigidity_Nmm2, 1e-9));
  CHECK_THAT(tip.translation().x(),
             WithinRel(M * rod.length_mm * rod.length_mm / (2 * rod.rigidity_Nmm2), 1e-5));
}

TEST_CASE("an end moment of 2 pi EI / L rolls the segment into a full circle") {
  // The usual benchmark of large deflections (common practice; K.-J. Bathe and S. Bolourchi, "Large
  // displacement analysis of three-dimensional beam structures", Int. J. Numer. Meth. Eng. 14, 1979, from
  // memory).
  Rod rod;
  rod.tendon_deg = {0, 90, 180, 270};
  const Design design = design_of(rod);
  const double M = 2 * M_PI * rod.rigidity_Nmm2 / rod.length_mm;
  const auto T = TendonStatics(*design.tendons()).tensions({M, 0});
  REQUIRE(T);
  CHECK_THAT((*T)(0), WithinRel(M / rod.tendon_radius_mm, 1e-12));
  const Eigen::Isometry3d tip = Shape(design, bent({M / rod.rigidity_Nmm2, 0})).tip_E();
  const Eigen::Isometry3d base = Shape(design, bent({M / rod.rigidity_Nmm2, 0})).pose_E(0);
  CHECK_THAT((tip.matrix() - base.matrix()).cwiseAbs().maxCoeff(), WithinAbs(0, 1e-10));
}

TEST_CASE("tension times the change of pull is the change of the bend's energy") {
  // Virtual work: T d(pull)/d(kappa) = EI kappa L at rest, for the one tendon that pulls.
  Rod rod;
  rod.tendon_deg = {0, 90, 180, 270};
  const Design design = design_of(rod);
  const double kappa = 0.013;
  const double step = 1e-6;
  const auto pull = [&](double k) { return tendon_pulls(design, regions_of(design, bent({k, 0})), 0)(0); };
  const double T = TendonStatics(*design.tendons()).tensions({rod.rigidity_Nmm2 * kappa, 0}).value()(0);
  CHECK_THAT(T * (pull(kappa + step) - pull(kappa - step)) / (2 * step),
             WithinRel(rod.rigidity_Nmm2 * kappa * rod.length_mm, 1e-8));
}

TEST_CASE("friction multiplies tension as the tables of the capstan equation say") {
  // Factors by turns and coefficient as such tables print them, two significant figures (from memory), and
  // the often quoted 153,552,935 for five turns at 0.6 (encyclopaedia entries on the capstan equation).
  const struct {
    double turns;
    double mu;
    double factor;
    double half_digit;
  } table[] = {{1, 0.1, 1.9, 0.05}, {1, 0.2, 3.5, 0.05}, {1, 0.3, 6.6, 0.05}, {1, 0.4, 12, 0.5},
               {1, 0.5, 23, 0.5},   {2, 0.1, 3.5, 0.05}, {2, 0.2, 12, 0.5},   {2, 0.3, 43, 0.5},
               {3, 0.1, 6.6, 0.05}, {3, 0.2, 43, 0.5},   {5, 0.1, 23, 0.5},   {5, 0.6, 153552935, 0.5}};
  for (const auto& row : table) {
    CAPTURE(row.turns, row.mu);
    CHECK_THAT(capstan_factor(row.mu, 2 * M_PI * row.turns), WithinAbs(row.factor, row.half_digit));
  }
}

TEST_CASE("the published benchmark robot needs the tensions and pulls that its parameters give") {
  // Parameters of the two-segment robot in P. Rao, Q. Peyron, S. Lilge and J. Burgner-Kahrs, "How to Model
  // Tendon-Driven Continuum Robots and Benchmark Modelling Performance", Frontiers in Robotics and AI 7,
  // 2021, as its accompanying code presets them, proximal segment: length 0.1 m, 10 disks, backbone radius
  // 0.5 mm, Young's modulus 60 GPa, tendons at 8 mm and 90, -30 and 210 degrees. Its constant-curvature model
  // without friction: kappa = q / (r L) for a pull q in the plane.
  Rod rod;
  rod.rigidity_Nmm2 = 60e3 * M_PI / 4 * std::pow(0.5, 4);  // N/mm^2 mm^4
  rod.tendon_radius_mm = 8;
  rod.tendon_deg = {90, -30, 210};
  const Design design = design_of(rod);
  CHECK_THAT(rod.rigidity_Nmm2, WithinAbs(2945, 1));
  const double q = 6.0;
  const double kappa = q / (8.0 * 100.0);
  const State state = bent({0, kappa});
  CHECK_THAT(tendon_pulls(design, regions_of(design, state), 0)(0), WithinRel(q, 1e-12));
  const auto T = TendonStatics(*design.tendons()).tensions({0, rod.rigidity_Nmm2 * kappa});
  REQUIRE(T);
  // By hand: 2945.2 x 0.0075 / 8 = 2.761 N on the first tendon, the others slack.
  CHECK_THAT((*T)(0), WithinAbs(2.761, 1e-3));
  CHECK_THAT((*T)(1), WithinAbs(0, 1e-12));
  CHECK_THAT((*T)(2), WithinAbs(0, 1e-12));
  // With its ten disks the opposite pair pays out and the published inverse finds the same arc.
  rod.disk_spacing_mm = 10;
  const Design disks = design_of(rod);
  const Eigen::VectorXd pull = tendon_pulls(disks, regions_of(disks, state), 0);
  const Arc arc = arc_from_lengths(Eigen::Vector3d::Constant(100) - pull, 8, 10);
  CHECK_THAT(arc.kappa, WithinRel(kappa, 1e-9));
  CHECK_THAT(arc.phi, WithinAbs(M_PI / 2, 1e-9));
  CHECK_THAT(arc.length, WithinRel(100, 1e-9));
}
