// SPDX-License-Identifier: GPL-3.0-or-later
// Pulls and tensions against the published formula, closed forms, and the plain implementation's enumeration.
#include "planner/segment/tendons.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "tests/support/plain_hardware.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

constexpr double kDegree = M_PI / 180.0;

TendonHardware tendons_at(const std::vector<double>& angles_deg) {
  TendonHardware tendons;
  tendons.radius_mm = 1.2;
  for (const double a : angles_deg) tendons.angle_rad.push_back(a * kDegree);
  tendons.stroke_max_mm = 8;
  tendons.tension_min_N = 0.2;
  tendons.tension_max_N = 15;
  tendons.friction_coefficient = 0.1;
  return tendons;
}

Design design_with(const TendonHardware& tendons, CarriageKind carriage = CarriageKind::free) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout.station_mm = {50};
  parts.layout.clock_rad = {0};
  parts.tendons = tendons;
  parts.carriage = {carriage, 160};
  return Design::make(parts).value();
}

Design without_locks(const TendonHardware& tendons, double tip_rigid_mm) {
  DesignParts parts;
  parts.segment = {100, 1.5, tip_rigid_mm, 0.04, 900};
  parts.tendons = tendons;
  parts.carriage = {CarriageKind::free, 160};
  return Design::make(parts).value();
}

State one_frozen(double insertion_mm, const Eigen::Vector2d& theta, const Eigen::Vector2d& u) {
  State state;
  state.insertion_mm = insertion_mm;
  state.engaged.set(0);
  state.theta_frozen = {theta};
  state.u_free = u;
  return state;
}

Eigen::VectorXd pulls(const Design& design, const State& state) {
  return tendon_pulls(design, regions_of(design, state), state.insertion_mm);
}

/// Chord of one gap as Jones and Walker write it: 2 sin(theta/2) (1/kappa - r cos(phi - beta)).
double published_gap_length(double gap_mm, const Eigen::Vector2d& u, double r_mm, double beta) {
  const double kappa = u.norm();
  return 2 * std::sin(kappa * gap_mm / 2) * (1 / kappa - r_mm * std::cos(std::atan2(u.y(), u.x()) - beta));
}

/// Sum of the distances between the holes of a tendon at angle beta, with the cross-sections placed by many
/// small turns and steps (brute force: Simpson's rule, wrong by the fourth power of its step). The body of
/// design_with: lock at 50 mm, 4 mm long; 3 mm of tip.
double stepped_tendon_length(const Design& design, const State& state, double beta) {
  const double h = design.tendons()->disk_spacing_mm;
  const bool locked = state.engaged.test(0);
  const double inside =
      design.carriage().kind == CarriageKind::guide ? std::max(0.0, 100 - state.insertion_mm) : 0.0;
  const Eigen::Vector2d frozen =
      locked ? Eigen::Vector2d(state.theta_frozen[0] / (48.0 - std::min(inside, 48.0))) : state.u_free;
  const auto curvature = [&](double s) -> Eigen::Vector2d {
    if (s < inside || (s > 48 && s < 52) || s > 97) return {0, 0};
    return s < 50 ? frozen : state.u_free;
  };
  std::vector<double> stops = {48, 50, 52, 97, 100};
  if (inside > 0) stops.push_back(inside);
  for (double s = h; s < 100; s += h) stops.push_back(s);
  std::sort(stops.begin(), stops.end());
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  const Eigen::Vector3d offset(design.tendons()->radius_mm * std::cos(beta),
                               design.tendons()->radius_mm * std::sin(beta), 0);
  Eigen::Vector3d last = offset;
  double length = 0;
  double at = 0;
  int disk = 1;
  for (const double stop : stops) {
    constexpr int kSteps = 100;
    const double ds = (stop - at) / kSteps;
    for (int i = 0; i < kSteps; ++i) {
      const Eigen::Vector2d u = curvature(at + (i + 0.5) * ds);
      const Eigen::Vector3d w(-u.y(), u.x(), 0);
      const auto turn = [&](double l) {
        return u.isZero(0) ? Eigen::Matrix3d(Eigen::Matrix3d::Identity())
                           : Eigen::AngleAxisd(l * u.norm(), w.normalized()).toRotationMatrix();
      };
      X.translation() +=
          ds / 6.0 * (X.linear() * (Eigen::Matrix3d::Identity() + 4.0 * turn(0.5 * ds) + turn(ds))).col(2);
      X.linear() = X.linear() * turn(ds);
    }
    at = stop;
    if (std::abs(stop - disk * h) > 1e-9 && stop != 100) continue;
    length += (X * offset - last).norm();
    last = X * offset;
    ++disk;
  }
  return length;
}

}  // namespace

TEST_CASE("with continuous routing each tendon is drawn by its radius times the bend towards it") {
  const Design design = design_with(tendons_at({0, 90, 180, 270}));
  // Flexible lengths by hand: 48 mm to the lock's body, 52 - 2 - 3 = 45 mm in the free region.
  const auto pull = pulls(design, one_frozen(30, {0.3, -0.2}, {0.01, 0.004}));
  CHECK_THAT(pull(0), WithinAbs(1.2 * (0.3 + 0.45), 1e-12));
  CHECK_THAT(pull(1), WithinAbs(1.2 * (-0.2 + 0.18), 1e-12));
  CHECK_THAT(pull(2), WithinAbs(-pull(0), 1e-12));
  CHECK_THAT(pull(3), WithinAbs(-pull(1), 1e-12));
}

TEST_CASE("with spacer disks each gap of one curvature is drawn by what the published chord is short of it") {
  // B. A. Jones and I. D. Walker, "Kinematics for Multisection Continuum Robots", IEEE Trans. Robotics 22(1),
  // 2006.
  TendonHardware tendons = tendons_at({10, 130, 250});
  tendons.disk_spacing_mm = 16;
  const Design design = without_locks(tendons, 0);
  State state;
  state.u_free = {0.012, 0.02};
  const auto pull = pulls(design, state);
  for (int k = 0; k < 3; ++k) {
    const double beta = tendons.angle_rad[static_cast<std::size_t>(k)];
    // 100 mm: six gaps and one of 4.
    const double expected = 100.0 - 6 * published_gap_length(16, state.u_free, 1.2, beta) -
                            published_gap_length(4, state.u_free, 1.2, beta);
    CHECK_THAT(pull(k), WithinAbs(expected, 1e-12));
  }
}

TEST_CASE("with spacer disks a tendon is as long as the way from hole to hole in the real body") {
  const unsigned seed = 171;
  CAPTURE(seed);
  std::mt19937 random(seed);
  const auto between = [&](double lo, double hi) {
    return std::uniform_real_distribution<double>(lo, hi)(random);
  };
  for (int trial = 0; trial < 40; ++trial) {
    TendonHardware tendons = tendons_at({10, 130, 250});
    tendons.disk_spacing_mm = between(3, 60);
    const auto carriage = trial % 2 == 0 ? CarriageKind::free : CarriageKind::guide;
    const Design design = design_with(tendons, carriage);
    State state = one_frozen(between(60, 160), {between(-0.3, 0.3), between(-0.3, 0.3)},
                             {between(-0.03, 0.03), between(-0.03, 0.03)});
    if (trial % 3 == 0) {
      state.engaged.reset();
      state.theta_frozen.clear();
      if (trial % 2 == 1) state.insertion_mm = between(5, 160);
    }
    const auto pull = pulls(design, state);
    for (int k = 0; k < 3; ++k) {
      const double expected =
          100.0 - stepped_tendon_length(design, state, tendons.angle_rad[static_cast<std::size_t>(k)]);
      CAPTURE(trial, k, tendons.disk_spacing_mm, state.insertion_mm);
      CHECK_THAT(pull(k), WithinAbs(expected, 1e-8));
    }
  }
}

TEST_CASE("engaging or releasing a lock moves no pull, whatever the spacing of the disks") {
  // A pull depends on where the body is, and a switch leaves that as it was; rounding of a division aside.
  const unsigned seed = 172;
  CAPTURE(seed);
  std::mt19937 random(seed);
  const auto between = [&](double lo, double hi) {
    return std::uniform_real_distribution<double>(lo, hi)(random);
  };
  for (int trial = 0; trial < 300; ++trial) {
    TendonHardware tendons = tendons_at({0, 90, 180, 270});
    tendons.disk_spacing_mm = trial % 5 == 0 ? 0.0 : between(1, 60);
    const auto carriage = trial % 2 == 0 ? CarriageKind::free : CarriageKind::guide;
    const Design design = design_with(tendons, carriage);
    State before;
    before.insertion_mm = between(0, 160);
    before.u_free = {between(-0.03, 0.03), between(-0.03, 0.03)};
    State after = before;
    after.engaged.set(0);
    // Exposed flexible length up to the lock at 50 mm with its body of 4 mm, by hand.
    const double from =
        carriage == CarriageKind::guide ? std::clamp(100 - before.insertion_mm, 0.0, 48.0) : 0.0;
    after.theta_frozen = {(48.0 - from) * before.u_free};
    CAPTURE(trial, tendons.disk_spacing_mm, before.insertion_mm);
    CHECK((pulls(design, after) - pulls(design, before)).cwiseAbs().maxCoeff() < 1e-12);
  }
}

TEST_CASE("pulls with disks come up to those of continuous routing as the square of the spacing") {
  // Chord against arc: h - 2 sin(kappa h / 2) / kappa = kappa^2 h^3 / 24 to leading order, so per length
  // kappa^2 h^2 / 24.
  TendonHardware tendons = tendons_at({0, 90, 180, 270});
  State state;
  state.u_free = {0.03, 0};
  const double continuous = pulls(without_locks(tendons, 0), state)(1);
  for (const double h : {10.0, 5.0, 2.5, 1.0}) {
    tendons.disk_spacing_mm = h;  // all divide 100 mm
    const double excess = pulls(without_locks(tendons, 0), state)(1) - continuous;
    CHECK_THAT(excess, WithinRel(100.0 * 0.03 * 0.03 * h * h / 24.0, 5e-3));
  }
}

TEST_CASE("the disks stand a spacing apart from the base on, and one at the tip") {
  CHECK(disk_stations(10, 0).empty());
  CHECK(disk_stations(10, 4) == std::vector<double>{0, 4, 8, 10});
  CHECK(disk_stations(10, 5) == std::vector<double>{0, 5, 10});
  CHECK(disk_stations(10, 30) == std::vector<double>{0, 10});
  CHECK(disk_stations(0.3, 0.1).size() == 4);  // 3 * 0.1 > 0.3 in doubles
}

TEST_CASE("pulls with disks are smooth through the straight segment") {
  TendonHardware tendons = tendons_at({0, 120, 240});
  tendons.disk_spacing_mm = 7;
  const Design design = design_with(tendons);
  for (const double kappa : {0.0, 1e-12, 1e-9, 1e-7, 1e-5}) {
    const auto pull = pulls(design, one_frozen(0, {0, 0}, {kappa, 0}));
    CHECK_THAT(pull(0), WithinAbs(1.2 * 45 * kappa, 45 * kappa * kappa * 49 / 24 + 1e-13));
  }
}

TEST_CASE("motors that stand also take up the insertion") {
  TendonHardware tendons = tendons_at({0, 90, 180, 270});
  tendons.motors = Motors::stand;
  const auto pull = pulls(design_with(tendons), one_frozen(37, {0.3, 0}, {0, 0}));
  CHECK_THAT(pull(0), WithinAbs(0.36 - 37, 1e-12));
  CHECK_THAT(pull(1), WithinAbs(-37, 1e-12));
}

TEST_CASE("inside the guide nothing is drawn but what the exposed length bends") {
  const Design design = design_with(tendons_at({0, 90, 180, 270}), CarriageKind::guide);
  State state = one_frozen(40, {0, 0}, {0.02, 0});
  // 40 mm stand out: 37 flexible and the 3 mm tip; the lock at 50 is inside.
  CHECK_THAT(pulls(design, state)(0), WithinAbs(1.2 * 37 * 0.02, 1e-12));
}

TEST_CASE("four tendons square to one another share a moment by its two components") {
  const TendonStatics statics(tendons_at({0, 90, 180, 270}));
  CHECK(statics.spans_plane());
  const auto T = statics.tensions({7.2, -3.6});
  REQUIRE(T);
  CHECK_THAT((*T)(0), WithinAbs(0.2 + 6.0, 1e-12));
  CHECK_THAT((*T)(1), WithinAbs(0.2, 1e-12));
  CHECK_THAT((*T)(2), WithinAbs(0.2, 1e-12));
  CHECK_THAT((*T)(3), WithinAbs(0.2 + 3.0, 1e-12));
}

TEST_CASE("two opposite tendons bend in their plane only, and say so") {
  const TendonStatics statics(tendons_at({30, 210}));
  const Eigen::Vector2d in_plane(std::cos(30 * kDegree), std::sin(30 * kDegree));
  const auto up = statics.tensions(6.0 * in_plane);
  REQUIRE(up);
  CHECK_THAT((*up)(0), WithinAbs(5.2, 1e-12));
  const auto down = statics.tensions(-6.0 * in_plane);
  REQUIRE(down);
  CHECK_THAT((*down)(1), WithinAbs(5.2, 1e-12));
  const auto out = statics.tensions({6.0, 0.0});
  REQUIRE_FALSE(out);
  CHECK(out.error() == TensionFault::out_of_plane);
}

TEST_CASE("tendons on one side only can't bend to the other") {
  const TendonStatics statics(tendons_at({-40, 40}));
  CHECK(statics.tensions({6.0, 1.0}));
  const auto away = statics.tensions({-6.0, 1.0});
  REQUIRE_FALSE(away);
  CHECK(away.error() == TensionFault::no_pull_side);
  // Pretension alone bends such a segment: straight is then out of reach too.
  CHECK_FALSE(statics.tensions({0.0, 0.0}));
}

TEST_CASE("least tensions are those of trying every pair of tendons") {
  const unsigned seed = 4;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> angle(-180, 180);
  std::uniform_real_distribution<double> curvature(-0.04, 0.04);
  int possible = 0;
  int impossible = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    std::vector<double> angles;
    for (int k = 0; k < 2 + trial % 6; ++k)
      angles.push_back(trial % 5 == 0 ? 45.0 * std::round(angle(random) / 45) : angle(random));
    const TendonHardware tendons = tendons_at(angles);
    withy_plain::Robot robot;
    robot.scene.rigidity_Nmm2 = 900;
    robot.scene.tendons.emplace();
    robot.scene.tendons->radius_mm = tendons.radius_mm;
    robot.scene.tendons->angle_rad = tendons.angle_rad;
    robot.scene.tendons->tension_min_N = tendons.tension_min_N;
    const Eigen::Vector2d u(curvature(random), curvature(random));
    const TendonStatics statics(tendons);
    const auto ours = statics.tensions(900 * u);
    const auto theirs = withy_plain::tip_tensions(robot, u);
    CAPTURE(trial, angles, u.x(), u.y());
    REQUIRE(ours.has_value() == theirs.has_value());
    if (!ours) {
      ++impossible;
      continue;
    }
    ++possible;
    double sum = 0;
    for (const double T : *theirs) sum += T;
    if (std::abs(ours->sum() - sum) > 1e-6 * sum) FAIL_CHECK("total " << ours->sum() << " against " << sum);
    Eigen::Vector2d moment(0, 0);
    for (std::size_t k = 0; k < tendons.angle_rad.size(); ++k)
      moment += 1.2 * (*ours)(static_cast<Eigen::Index>(k)) *
                Eigen::Vector2d(std::cos(tendons.angle_rad[k]), std::sin(tendons.angle_rad[k]));
    if ((moment - 900 * u).norm() > 1e-7 * (1 + sum))
      FAIL_CHECK("moment is off by " << (moment - 900 * u).norm());
    if (ours->minCoeff() < 0.2 - 1e-9) FAIL_CHECK("below pretension");
  }
  CHECK(possible > 3000);
  CHECK(impossible > 1000);
}

TEST_CASE("no tension changes faster with the moment than the stated bound") {
  const unsigned seed = 5;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> angle(-180, 180);
  std::uniform_real_distribution<double> moment(-20, 20);
  int compared = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    std::vector<double> angles;
    for (int k = 0; k < 3 + trial % 4; ++k) angles.push_back(angle(random));
    const TendonStatics statics(tendons_at(angles));
    const Eigen::Vector2d a(moment(random), moment(random));
    const Eigen::Vector2d b = a + 0.2 * Eigen::Vector2d(moment(random), moment(random));
    const auto Ta = statics.tensions(a);
    const auto Tb = statics.tensions(b);
    if (!Ta || !Tb) continue;
    ++compared;
    const double change = (*Ta - *Tb).cwiseAbs().maxCoeff();
    if (change > statics.lipschitz_N_per_Nmm() * (a - b).norm() * (1 + 1e-9) + 1e-9)
      FAIL_CHECK("trial " << trial);
  }
  CHECK(compared > 3000);
}

TEST_CASE("the margin to what the tendons can't do is the distance at which a scan first meets it") {
  const unsigned seed = 6;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> moment(-5, 5);
  const TendonStatics statics(tendons_at({-70, 10, 75}));
  for (int trial = 0; trial < 200; ++trial) {
    const Eigen::Vector2d a(moment(random), moment(random));
    const bool here = statics.tensions(a).has_value();
    const double margin = statics.reach_margin(a);
    CHECK((margin >= 0) == here);
    // On a circle just short of the margin all moments are alike, on one a little beyond it some differ.
    int different_inside = 0;
    int different_outside = 0;
    for (int i = 0; i < 720; ++i) {
      const Eigen::Vector2d to(std::cos(i * 0.5 * kDegree), std::sin(i * 0.5 * kDegree));
      different_inside += statics.tensions(a + 0.999 * std::abs(margin) * to).has_value() != here;
      different_outside += statics.tensions(a + (1.02 * std::abs(margin) + 1e-6) * to).has_value() != here;
    }
    CAPTURE(a.x(), a.y(), margin);
    CHECK(different_inside == 0);
    if (std::abs(margin) > 0.05) CHECK(different_outside > 0);
  }
}
