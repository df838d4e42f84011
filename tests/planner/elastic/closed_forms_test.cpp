// SPDX-License-Identifier: GPL-3.0-or-later
// The elastic segment against closed forms and published tables.
#include <cmath>

#include <boost/math/special_functions/ellint_1.hpp>
#include <boost/math/special_functions/ellint_2.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <catch2/catch.hpp>

#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"
#include "tests/planner/elastic/elastic_designs.h"

namespace {

using namespace withy;
using namespace withy_test;
using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;

constexpr double kGravity_N_per_g = 9.80665e-3;

/// Tendons let out so far that none of them pulls.
Eigen::VectorXd slack(const Design& design) {
  return Eigen::VectorXd::Constant(static_cast<Eigen::Index>(design.tendons()->angle_rad.size()), -40.0);
}

Eigen::Vector3d tip_from_base(ElasticSegment& segment, const ElasticState& state) {
  return segment.read(state).tip_E.translation() -
         Eigen::Vector3d(0.0, 0.0, state.insertion_mm - segment.design().length_mm());
}

/// Deflection and shortening over L of a cantilever under a load across at its tip, P L^2 / EI = load.
struct Elastica {
  double deflection = 0.0;
  double shortening = 0.0;
};

Elastica under_tip_load(double load) {
  DesignParts parts = bare_parts();
  // The load is a lock without length, as near to the tip as makes no difference.
  add_locks(parts, {100.0 - 1e-6});
  parts.lock->body_length_mm = 0.0;
  parts.elastic->lock_mass_g = load * 400.0 / 1e4 / kGravity_N_per_g;
  const Design design = made(parts);
  ElasticSegment segment(design, 200);
  ElasticState state = segment.start().value();
  state = segment.step(state, 0.0, slack(design)).value();
  const Eigen::Vector3d tip = tip_from_base(segment, state);
  return {-tip.y() / 100.0, 1.0 - tip.z() / 100.0};
}

/// K. E. Bisshopp and D. C. Drucker, "Large Deflection of Cantilever Beams", Quart. Appl. Math. 3(3), 1945:
/// sqrt(P L^2 / EI) = K(k) - F(k, phi_1), 2 k^2 sin^2 phi_1 = 1, and what follows from it; equations from
/// memory, integrals by Boost.Math.
Elastica by_elliptic_integrals(double load) {
  using boost::math::ellint_1;
  using boost::math::ellint_2;
  const double root = std::sqrt(load);
  const auto phi = [](double k) { return std::asin(1.0 / (k * std::sqrt(2.0))); };
  const auto left = [&](double k) { return ellint_1(k) - ellint_1(k, phi(k)) - root; };
  std::uintmax_t most = 200;
  const auto found = boost::math::tools::toms748_solve(left, std::sqrt(0.5) + 1e-12, 1.0 - 1e-12,
                                                       boost::math::tools::eps_tolerance<double>(50), most);
  const double k = found.first;
  Elastica out;
  out.deflection = 1.0 - 2.0 / root * (ellint_2(k) - ellint_2(k, phi(k)));
  const double sin_end = 2.0 * k * k - 1.0;  // sine of the tip's slope
  out.shortening = 1.0 - std::sqrt(2.0 * sin_end) / root;
  return out;
}

/// Bending angle of a body bent in one plane.
double turned(ElasticSegment& segment, const ElasticState& state) {
  const Eigen::Vector3d t = segment.read(state).tip_E.linear().col(2);
  return std::atan2(t.head<2>().norm(), t.z());
}

}  // namespace

TEST_CASE("the elastica under a tip load") {
  // K. Mattiasson, "Numerical results from large deflection beam and frame problems analysed by means of
  // elliptic integrals", Int. J. Numer. Meth. Engng 17, 1981.
  const double table[][3] = {
      {1.0, 0.30172, 0.05643}, {2.0, 0.49346, 0.16064}, {5.0, 0.71379, 0.38763}, {10.0, 0.81061, 0.55500}};
  for (const auto& row : table) {
    CAPTURE(row[0]);
    const Elastica found = under_tip_load(row[0]);
    CHECK_THAT(found.deflection, WithinAbs(row[1], 5e-5));
    CHECK_THAT(found.shortening, WithinAbs(row[2], 5e-5));
  }
  for (const double load : {0.25, 0.75, 1.5, 3.0, 4.0, 7.0}) {
    CAPTURE(load);
    const Elastica found = under_tip_load(load);
    const Elastica exact = by_elliptic_integrals(load);
    CHECK_THAT(found.deflection, WithinAbs(exact.deflection, 5e-5));
    CHECK_THAT(found.shortening, WithinAbs(exact.shortening, 5e-5));
  }
}

TEST_CASE("a couple at the tip bends the segment into a circle") {
  DesignParts parts = bare_parts();
  const Design design = made(parts);
  ElasticSegment segment(design);
  ElasticState state = segment.start().value();
  const Eigen::VectorXd goal = pulls_for(design, {2.0 * M_PI, 0.0});
  for (int i = 1; i <= 8; ++i) state = segment.step(state, 0.0, goal * (i / 8.0)).value();
  // The tip of a closed circle is at its base.
  CHECK(tip_from_base(segment, state).norm() < 1e-3);
}

TEST_CASE("a horizontal segment sags by w L^4 / 8 EI") {
  DesignParts parts = bare_parts();
  parts.elastic->mass_g_per_mm = 0.002;
  const Design design = made(parts);
  for (const int elements : {24, 48, 96}) {
    ElasticSegment segment(design, elements);
    const ElasticState state = segment.step(segment.start().value(), 0.0, slack(design)).value();
    const double small = 0.002 * kGravity_N_per_g * 1e8 / (8.0 * 400.0);
    // Large deflections shorten the arm by (w L^3 / EI)^2 of a few per cent of a per cent here.
    CHECK_THAT(-tip_from_base(segment, state).y(), WithinRel(small, 2e-3));
  }
}

TEST_CASE("a quarter ring under a load across its plane sags and twists") {
  // Castigliano for a quarter of a circle of radius R, fixed at one end, load P across its plane at the
  // other: w = P R^3 (pi / (4 EI) + (3 pi / 4 - 2) / GJ) (S. P. Timoshenko, "Strength of Materials" II; from
  // memory).
  DesignParts parts = bare_parts();
  const double P = 2e-5;
  add_locks(parts, {100.0 - 1e-6});
  parts.lock->body_length_mm = 0.0;
  parts.elastic->lock_mass_g = P / kGravity_N_per_g;
  parts.elastic->gravity_S = {0.0, -1.0, 0.0};
  parts.segment.curvature_max_per_mm = 0.05;
  // One tendon alone, that gives endlessly: its couple stays what it is, across the load it does nothing.
  parts.elastic->tendon_EA_N = 1.0;
  const Design design = made(parts);
  ElasticSegment segment(design, 200);
  Eigen::VectorXd pull = Eigen::VectorXd::Constant(4, -4000.0);
  const double bend = M_PI / 2.0;
  const double moment = 400.0 * bend / 100.0;
  pull(0) = moment / 1.2 * (400.0 / 1.0) + 1.2 * bend;
  ElasticState state = segment.start().value();
  for (int i = 1; i <= 8; ++i) {
    Eigen::VectorXd part = pull;
    part(0) *= i / 8.0;
    state = segment.step(state, 0.0, part).value();
  }
  const double R = 100.0 / bend;
  const double sag = P * R * R * R * (M_PI / (4.0 * 400.0) + (3.0 * M_PI / 4.0 - 2.0) / 320.0);
  CHECK_THAT(-tip_from_base(segment, state).y(), WithinRel(sag, 5e-3));
  CHECK_THAT(tip_from_base(segment, state).x(), WithinRel(R, 1e-3));
}

TEST_CASE("a drawn tendon bends by what the capstan leaves of it, let out by what it adds") {
  // d theta / ds = r T exp(-+ mu theta) / EI from the base: theta = ln(1 +- mu r T L / EI) / (+- mu).
  DesignParts parts = bare_parts();
  parts.tendons->friction_coefficient = 0.3;
  parts.elastic->tendon_EA_N = 2000.0;
  const Design design = made(parts);
  ElasticSegment segment(design, 200);
  ElasticState state = segment.start().value();
  Eigen::VectorXd pull = Eigen::VectorXd::Constant(4, -40.0);
  const auto drawn_to = [&](double mm) {
    pull(0) = mm;
    state = segment.step(state, 0.0, pull).value();
  };
  for (int i = 1; i <= 20; ++i) drawn_to(3.0 * i / 20.0);
  const double T = segment.read(state).base_N(0);
  const double x = 0.3 * 1.2 * T * 100.0 / 400.0;
  CHECK(x > 0.2);
  CHECK_THAT(turned(segment, state), WithinRel(std::log1p(x) / 0.3, 1e-4));
  CHECK_THAT(segment.read(state).tip_N(0), WithinRel(T * std::exp(-0.3 * turned(segment, state)), 5e-3));
  // Far enough that the whole length has turned back.
  for (int i = 1; i <= 60; ++i) drawn_to(3.0 - 1.8 * i / 60.0);
  const double T_out = segment.read(state).base_N(0);
  const double x_out = 0.3 * 1.2 * T_out * 100.0 / 400.0;
  CHECK(T_out < T * std::exp(-2.0 * 0.3 * turned(segment, state)));
  CHECK_THAT(turned(segment, state), WithinRel(-std::log1p(-x_out) / 0.3, 1e-4));
}

TEST_CASE("tendons that give leave c / (1 + c) of the bend undone") {
  const double EI = 400.0, L = 100.0, L_t = 400.0, r = 1.2, EA = 6283.0;
  DesignParts parts = bare_parts();
  parts.elastic->tendon_EA_N = EA;
  const auto bend_of = [&](double tension_min_N, bool antagonist) {
    parts.tendons->tension_min_N = tension_min_N;
    const Design design = made(parts);
    ElasticSegment segment(design);
    Eigen::VectorXd pull = pulls_for(design, {1.0, 0.0});
    if (!antagonist) pull(1) = pull(2) = pull(3) = -40.0;
    return turned(segment, segment.step(segment.start().value(), 0.0, pull).value());
  };
  const double c = EI * L_t / (L * r * r * EA);
  CHECK_THAT(bend_of(0.0, false), WithinRel(1.0 - c / (1.0 + c), 1e-9));
  // An antagonist that stays taut shares the couple: c / 2.
  CHECK_THAT(bend_of(20.0, true), WithinRel(1.0 - 0.5 * c / (1.0 + 0.5 * c), 1e-9));
}

TEST_CASE("a frozen bend drifts by M f / (EI + (f / l) sum EA r_b^2 e e')") {
  DesignParts parts = bare_parts();
  add_locks(parts, {50.0});
  parts.elastic->backbone_EA_N = 4241.0;
  const Design design = made(parts);
  ElasticSegment segment(design);
  // A straight lock, then a couple from the tendons.
  const ElasticState locked = segment.engage(segment.start().value(), 0).value();
  const ElasticState drawn = segment.step(locked, 0.0, pulls_for(design, {0.7, 0.2})).value();
  const ElasticReading reading = segment.read(drawn);
  Eigen::Vector2d M = Eigen::Vector2d::Zero();
  for (Eigen::Index k = 0; k < 4; ++k)
    M += 1.2 * reading.base_N(k) * Eigen::Vector2d(std::cos(k * M_PI / 2), std::sin(k * M_PI / 2));
  const double f = 48.0, l = 50.0;
  // Four backbones a quarter turn apart: sum of e e' is twice the identity.
  const Eigen::Vector2d drift = M * f / (400.0 + f / l * 2.0 * 4241.0 * 1.2 * 1.2);
  const Eigen::Matrix3d R = segment.poses_E(drawn, {50.0}).front().linear();
  const double angle = std::acos(std::clamp(R(2, 2), -1.0, 1.0));
  CHECK_THAT(angle, WithinRel(drift.norm(), 1e-7));
  CHECK_THAT(R(1, 2) / R(0, 2), WithinRel(drift.y() / drift.x(), 1e-7));
  // What the lock carries is what bends the free part only: M less the frozen part's own EI u.
  CHECK_THAT(reading.lock_load_Nmm[0], WithinRel((M - 400.0 * drift / f).norm(), 1e-7));
}

TEST_CASE("with stiff wires, no weight and no friction the ideal segment is what is left") {
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
    {
      // Continuous routing: a tendon that runs straight between disks bends a gap evenly at no stiffness.
      CAPTURE(static_cast<int>(kind));
      DesignParts parts = bare_parts();
      add_locks(parts, {33.0, 67.0});
      parts.segment.tip_rigid_mm = 3.0;
      parts.carriage.kind = kind;
      parts.elastic->tendon_EA_N = parts.elastic->backbone_EA_N = 1e12;
      const Design design = made(parts);
      ElasticSegment segment(design);
      State ideal;
      ElasticState state = segment.start().value();
      const auto follow = [&] {
        const Eigen::VectorXd goal = tendon_pulls(design, regions_of(design, ideal), ideal.insertion_mm);
        const Eigen::VectorXd from = state.pull_mm;
        const double from_mm = state.insertion_mm;
        for (int i = 1; i <= 4; ++i)
          state = segment
                      .step(state, from_mm + i / 4.0 * (ideal.insertion_mm - from_mm),
                            from + i / 4.0 * (goal - from))
                      .value();
      };
      ideal.insertion_mm = 120.0;
      ideal.u_free = {0.011, 0.004};
      follow();
      state = segment.engage(state, 0).value();
      ideal.engaged.set(0);
      ideal.theta_frozen = {ideal.u_free * 31.0};
      ideal.u_free = {-0.006, 0.012};
      follow();
      const Eigen::Isometry3d tip = Shape(design, ideal).tip_E();
      CHECK((segment.read(state).tip_E.translation() - tip.translation()).norm() < 1e-6 * 100.0);
    }
  }
}

TEST_CASE("with disks the ideal segment is what is left as the disks move together") {
  // A tendon that runs straight from disk to disk is farther from the middle of a gap than from its ends, so
  // no gap bends evenly: what that does to the tip falls with the cube of the spacing (measured: 0.58, 0.069,
  // 0.0085 mm).
  std::vector<double> apart;
  for (const double spacing : {20.0, 10.0}) {
    DesignParts parts = bare_parts();
    parts.tendons->disk_spacing_mm = spacing;
    const Design design = made(parts);
    ElasticSegment segment(design, 60);
    State ideal;
    ideal.u_free = {0.011, 0.004};
    const Eigen::VectorXd goal = tendon_pulls(design, regions_of(design, ideal), 0.0);
    ElasticState state = segment.start().value();
    for (int i = 1; i <= 4; ++i) state = segment.step(state, 0.0, i / 4.0 * goal).value();
    apart.push_back(
        (segment.read(state).tip_E.translation() - Shape(design, ideal).tip_E().translation()).norm());
  }
  CAPTURE(apart[0], apart[1]);
  CHECK_THAT(apart[0] / apart[1], WithinRel(8.0, 0.2));
}
