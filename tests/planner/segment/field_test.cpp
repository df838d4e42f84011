// SPDX-License-Identifier: GPL-3.0-or-later
// Switching fields against closed forms, torques written out as cross products, scans, and the plain
// implementation.
#include "planner/segment/field.h"

#include <cmath>
#include <random>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

constexpr double kDegree = M_PI / 180.0;

struct Angles {
  double free_deg = 0;
  double latched_deg = 90;
};

/// A segment so long that the magnets of its locks don't feel one another while it is straight.
constexpr double kFarApart_mm = 1e5;

Design design_with(const std::vector<double>& clock_deg, Angles angles = {}, double B_max = 10.0,
                   const Eigen::Matrix3d& R_SE = Eigen::Matrix3d::Identity(), double length_mm = 100.0) {
  DesignParts parts;
  parts.segment = {length_mm, 1.5, 3, 0.04, 900};
  parts.lock =
      LockHardware{4, 1.8, 0.004, angles.free_deg * kDegree, angles.latched_deg * kDegree, 0.01, 0.004, 60};
  for (std::size_t i = 0; i < clock_deg.size(); ++i) {
    parts.layout.station_mm.push_back(length_mm * static_cast<double>(i + 1) /
                                      static_cast<double>(clock_deg.size() + 1));
    parts.layout.clock_rad.push_back(clock_deg[i] * kDegree);
  }
  parts.carriage = {CarriageKind::free, 160};
  parts.field = FieldHardware{B_max, {1.8, 1.8, 1.8}, Eigen::Matrix3d::Identity()};
  parts.R_SE = R_SE;
  return Design::make(parts).value();
}

State bent(const Eigen::Vector2d& u, std::vector<int> engaged = {}, std::vector<Eigen::Vector2d> theta = {}) {
  State state;
  state.insertion_mm = 40;
  state.u_free = u;
  for (const int lock : engaged) state.engaged.set(static_cast<std::size_t>(lock));
  state.theta_frozen = std::move(theta);
  return state;
}

/// A pose: that in S of the cross-section at each lock, places about any origin.
using Pose = std::vector<Eigen::Isometry3d>;

Pose pose_of(const Design& design, const State& state) {
  const Shape shape(design, state);
  Eigen::Isometry3d X_SE = Eigen::Isometry3d::Identity();
  X_SE.linear() = design.R_SE();
  Pose pose;
  for (int i = 0; i < design.lock_count(); ++i) pose.push_back(X_SE * shape.pose_E(design.station_mm(i)));
  return pose;
}

/// Moment (A m^2) of lock i's magnet at angle a.
Eigen::Vector3d moment(const Design& design, const Pose& pose, int i, double angle_rad) {
  const Eigen::Matrix3d R = pose[static_cast<std::size_t>(i)].linear();
  const double a = angle_rad + design.layout().clock_rad[static_cast<std::size_t>(i)];
  return design.lock().magnet_Am2 * (std::cos(a) * R.col(0) + std::sin(a) * R.col(1));
}

/// Torque about the tangent on lock i's magnet at angle a, as m x B says (N mm): vectors in S, no shortcut.
double torque(const Design& design, const Pose& pose, int i, double angle_rad, const Eigen::Vector3d& B_S) {
  const Eigen::Vector3d tangent = pose[static_cast<std::size_t>(i)].linear().col(2);
  return tangent.dot(moment(design, pose, i, angle_rad).cross(B_S));
}

/// Field (mT) at lock i of lock j's magnet at angle a: that of a dipole, in SI units.
Eigen::Vector3d magnet_field(const Design& design, const Pose& pose, int i, int j, double angle_rad) {
  const Eigen::Vector3d r = 1e-3 * (pose[static_cast<std::size_t>(i)].translation() -
                                    pose[static_cast<std::size_t>(j)].translation());
  const Eigen::Vector3d m = moment(design, pose, j, angle_rad);
  const double d = r.norm();
  return 1e3 * 1.25663706212e-6 / (4 * M_PI) * (3 * m.dot(r) * r / std::pow(d, 5) - m / std::pow(d, 3));
}

double stop_of(const Design& design, const State& state, int i) {
  return state.engaged.test(static_cast<std::size_t>(i)) ? design.lock().angle_latched_rad
                                                         : design.lock().angle_free_rad;
}

/// Field at lock i of all magnets but its own and that of `moving`, each at its stop.
Eigen::Vector3d resting_field(const Design& design, const Pose& pose, const State& state, int i, int moving) {
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (int j = 0; j < design.lock_count(); ++j)
    if (j != i && j != moving) B += magnet_field(design, pose, i, j, stop_of(design, state, j));
  return B;
}

double towards_other(const Design& design, const State& state, int i) {
  const LockHardware& h = design.lock();
  const double towards_latched = h.angle_latched_rad > h.angle_free_rad ? 1 : -1;
  return state.engaged.test(static_cast<std::size_t>(i)) ? -towards_latched : towards_latched;
}

/// By how much (N mm) a field misses what switching `lock` asks, its stroke sampled at 181 angles, as it acts
/// on the others at 31; <= 0 when it does it all.
double miss(const Design& design, const Pose& pose, const State& state, int lock,
            const Eigen::Vector3d& B_S) {
  const LockHardware& hardware = design.lock();
  double worst = -1e9;
  for (int i = 0; i < design.lock_count(); ++i) {
    const double sense = towards_other(design, state, i);
    const Eigen::Vector3d B = B_S + resting_field(design, pose, state, i, lock);
    for (int k = 0; k <= 180; ++k) {
      const double a =
          hardware.angle_free_rad + k / 180.0 * (hardware.angle_latched_rad - hardware.angle_free_rad);
      if (i == lock)
        worst = std::max(worst, hardware.switch_torque_Nmm - sense * torque(design, pose, i, a, B));
      else if (k % 6 == 0)
        worst = std::max(worst, sense * torque(design, pose, i, stop_of(design, state, i),
                                               B + magnet_field(design, pose, i, lock, a)) -
                                    hardware.hold_torque_Nmm);
    }
  }
  return worst;
}

/// The weakest field over directions a grid apart (about `step` rad), by bisection of its strength; infinite
/// when none of at most `ceiling` does. In a direction that works, the strengths that work are an interval,
/// so look for one that does first.
double scanned_strength(const Design& design, const Pose& pose, const State& state, int lock, double ceiling,
                        int rings) {
  double best = kInfinity;
  for (int i = 0; i <= rings; ++i) {
    const double polar = M_PI * i / rings;
    const int around = std::max(1, static_cast<int>(2 * rings * std::sin(polar)));
    for (int j = 0; j < around; ++j) {
      const double turn = 2 * M_PI * j / around;
      const Eigen::Vector3d to(std::sin(polar) * std::cos(turn), std::sin(polar) * std::sin(turn),
                               std::cos(polar));
      // The switch torque's condition alone gives the least strength in this direction; then the others must
      // hold.
      double least = 0;
      bool possible = true;
      const Eigen::Vector3d resting = resting_field(design, pose, state, lock, lock);
      for (int k = 0; k <= 45 && possible; ++k) {
        const LockHardware& h = design.lock();
        const double a = h.angle_free_rad + k / 45.0 * (h.angle_latched_rad - h.angle_free_rad);
        const double sense = towards_other(design, state, lock);
        const double per_mT = sense * torque(design, pose, lock, a, to);
        possible = per_mT > 1e-12;
        if (possible)
          least = std::max(least,
                           (h.switch_torque_Nmm - sense * torque(design, pose, lock, a, resting)) / per_mT);
      }
      if (!possible || least > std::min(ceiling, best)) continue;
      if (miss(design, pose, state, lock, least * (1 + 1e-12) * to) <= 1e-9) best = least;
    }
  }
  return best;
}

}  // namespace

TEST_CASE("one lock needs its torque over the moment, over the cosine of half its stroke") {
  // Closed form: a field at the middle of the stroke's normals meets both ends at half the stroke: |B| =
  // (tau/m)/cos(W/2).
  for (const double stroke : {20.0, 60.0, 90.0, 120.0, 150.0, 175.0}) {
    const Design design = design_with({0}, {10, 10 + stroke}, 1000);
    const FieldNeed need = least_field(design, bent({0.013, -0.02}), 0);
    REQUIRE(need.allowed());
    CHECK_THAT(need.strength_mT(), WithinRel(2.5 / std::cos(stroke / 2 * kDegree), 1e-9));
  }
}

TEST_CASE("one lock's field lies along the middle of its stroke, turned by its clocking and by the scene") {
  const Eigen::Matrix3d R_SE =
      Eigen::AngleAxisd(1.1, Eigen::Vector3d(1, 2, -1).normalized()).toRotationMatrix();
  const Design design = design_with({25}, {0, 90}, 10, R_SE);
  // Straight segment: the magnet turns from 25 to 115 degrees, so the field that turns it furthest stands at
  // 70 + 90.
  const Eigen::Vector3d expected =
      2.5 * std::sqrt(2.0) * Eigen::Vector3d(std::cos(160 * kDegree), std::sin(160 * kDegree), 0);
  const FieldNeed lock = least_field(design, bent({0, 0}), 0);
  REQUIRE(lock.field_S);
  CHECK_THAT((*lock.field_S - R_SE * expected).norm(), WithinAbs(0, 1e-9));
  const FieldNeed unlock = least_field(design, bent({0, 0}, {0}, {{0, 0}}), 0);
  REQUIRE(unlock.field_S);
  CHECK_THAT((*unlock.field_S + R_SE * expected).norm(), WithinAbs(0, 1e-9));
}

TEST_CASE("a stroke that runs to smaller angles is driven the other way round") {
  const FieldNeed forward = least_field(design_with({0}, {0, 90}), bent({0, 0}), 0);
  const FieldNeed backward = least_field(design_with({0}, {90, 0}), bent({0, 0}), 0);
  REQUIRE((forward.field_S && backward.field_S));
  CHECK_THAT((*forward.field_S + *backward.field_S).norm(), WithinAbs(0, 1e-9));
}

TEST_CASE("half a turn of stroke can't be driven by a constant field") {
  for (const double stroke : {180.0, 200.0, 300.0}) {
    const FieldNeed need = least_field(design_with({0}, {0, stroke}, 1e6), bent({0, 0}), 0);
    CHECK(need.refusal == FieldRefusal::stroke_too_wide);
    CHECK_FALSE(need.field_S);
  }
}

/// Two locks, far apart.
Design two_apart(double second_deg) {
  return design_with({0, second_deg}, {}, 10.0, Eigen::Matrix3d::Identity(), kFarApart_mm);
}

TEST_CASE(
    "two locks clocked alike on a straight segment can't be told apart, and each is in the other's way") {
  const Design design = design_with({0, 0});
  for (const int lock : {0, 1}) {
    const FieldNeed need = least_field(design, bent({0, 0}), lock);
    CHECK(need.refusal == FieldRefusal::inseparable);
    CHECK(need.lock_in_the_way == 1 - lock);
  }
}

TEST_CASE("a field above the limit is refused as too strong") {
  const FieldNeed need = least_field(design_with({0}, {0, 90}, 3.5), bent({0, 0}), 0);
  CHECK(need.refusal == FieldRefusal::too_strong);
  CHECK(need.lock_in_the_way == -1);
  CHECK_THAT(need.strength_mT(), WithinRel(2.5 * std::sqrt(2.0), 1e-12));
  CHECK(least_field(design_with({0}, {0, 90}, 3.54), bent({0, 0}), 0).allowed());
}

TEST_CASE("on a straight segment the relative clocking decides which of two locks can go first") {
  // By hand, in the plane, stroke a quarter turn, hold torque 0.4 of the switch torque: with lock 2 clocked
  // by c the field (tau + p, tau + q), p, q >= 0, must keep cos(c) (tau + p) + sin(c) (tau + q) <= 0.4 tau to
  // leave lock 2 free: possible for every c but those where both parts are positive and too large; for c =
  // 330 degrees at p = q = 0 (0.366 tau).
  const double at_rest = 2.5 * std::sqrt(2.0);
  CHECK_THAT(least_field(two_apart(330), bent({0, 0}), 0).strength_mT(), WithinRel(at_rest, 1e-9));
  CHECK_THAT(least_field(two_apart(330), bent({0, 0}, {0}, {{0, 0}}), 1).strength_mT(),
             WithinRel(at_rest, 1e-9));
  CHECK(least_field(two_apart(330), bent({0, 0}), 1).refusal == FieldRefusal::inseparable);
  CHECK(least_field(two_apart(45), bent({0, 0}), 0).refusal == FieldRefusal::inseparable);
  CHECK_THAT(least_field(two_apart(45), bent({0, 0}, {0}, {{0, 0}}), 1).strength_mT(),
             WithinRel(at_rest, 1e-9));
}

TEST_CASE(
    "the least field does its job at every angle of the stroke, and no scanned direction does it with less") {
  const unsigned seed = 31;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> clock(0, 360);
  std::uniform_real_distribution<double> curvature(-0.025, 0.025);
  std::uniform_real_distribution<double> stroke(30, 140);
  int switched = 0;
  int refused = 0;
  for (int trial = 0; trial < 40; ++trial) {
    std::vector<double> clocks;
    for (int k = 0; k < 1 + trial % 3; ++k) clocks.push_back(clock(random));
    const Design design = design_with(clocks, {0, stroke(random)}, 12);
    std::vector<int> engaged;
    std::vector<Eigen::Vector2d> theta;
    for (int k = 0; k < design.lock_count(); ++k) {
      if (random() % 2 == 0) continue;
      engaged.push_back(k);
      theta.emplace_back(20 * curvature(random), 20 * curvature(random));
    }
    const State state = bent({curvature(random), curvature(random)}, engaged, theta);
    const int lock = trial % design.lock_count();
    const Pose pose = pose_of(design, state);
    const FieldNeed need = least_field(design, state, lock);
    const double scanned = scanned_strength(design, pose, state, lock, 12, 120);
    CAPTURE(trial, scanned, need.strength_mT());
    if (need.allowed()) {
      ++switched;
      CHECK(miss(design, pose, state, lock, *need.field_S) <= 1e-9);
      CHECK(need.strength_mT() <= scanned * (1 + 1e-5));  // the scan takes the other magnet's stroke in steps
      // Directions are about 1.5 degrees apart; where the cone of directions is thin the scan may miss it
      // altogether.
      if (std::isfinite(scanned)) CHECK(scanned <= 1.1 * need.strength_mT() + 0.05);
    } else {
      ++refused;
      CHECK(std::isinf(scanned));
    }
  }
  CHECK(switched > 10);
  CHECK(refused > 3);
}

TEST_CASE("coil currents are the field along each coil's axis over its constant") {
  FieldHardware field;
  field.coil_mT_per_A = {1.8, 2.0, -2.5};
  field.R_SC << 0, 0, 1, 1, 0, 0, 0, 1, 0;  // coil axes: y, z, x of the scene
  const Eigen::Vector3d I = coil_currents_A(field, {5.0, 3.6, 4.0});
  CHECK_THAT((I - Eigen::Vector3d(2.0, 2.0, -2.0)).norm(), WithinAbs(0, 1e-12));
}
