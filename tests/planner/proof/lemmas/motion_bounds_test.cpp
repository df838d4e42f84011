// SPDX-License-Identifier: GPL-3.0-or-later
// The constants that proofs rest on, against brute force: bodies placed at random pairs of states.
#include "planner/proof/lemmas/motion_bounds.h"

#include <random>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/segment/shape.h"
#include "tests/support/state_range.h"

using namespace withy;

namespace {

constexpr double kLength = 80.0;
constexpr double kCurvatureMax = 0.04;
// Two Shapes are each right to about this (mm).
constexpr double kRounding_mm = 1e-9;

Design segment(CarriageKind carriage) {
  DesignParts parts;
  parts.segment = {kLength, 1.5, 3.0, kCurvatureMax, 900.0};
  parts.carriage = {carriage, 110.0};
  parts.lock = LockHardware{5.0, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
  parts.layout.station_mm = {30.0, 52.0};
  parts.layout.clock_rad = {0.0, 0.0};
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

}  // namespace

TEST_CASE("No body point moves farther between two states than the motion bounds allow") {
  const unsigned seed = 31;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = segment(carriage);
    int tried = 0;
    for (int trial = 0; tried < 10000; ++trial) {
      State a;
      a.insertion_mm = 55.0 + 50.0 * uniform(random);
      a.u_free = 0.7 * kCurvatureMax * Eigen::Vector2d(uniform(random), uniform(random));
      for (const int lock : {0, 1}) {
        if (uniform(random) < 0.0) continue;
        const double f = lock == 0 ? 27.5 : 17.0;
        a.engaged.set(static_cast<std::size_t>(lock));
        a.theta_frozen.push_back(0.5 * kCurvatureMax * f * Eigen::Vector2d(uniform(random), uniform(random)));
      }
      // From a hair's breadth to a good part of the range.
      const double size = std::pow(10.0, -4.0 * std::abs(uniform(random)));
      State b = a;
      b.insertion_mm += 20.0 * size * uniform(random);
      b.u_free += 0.3 * kCurvatureMax * size * Eigen::Vector2d(uniform(random), uniform(random));
      if (!within_limits(design, a) || !within_limits(design, b)) continue;
      ++tried;
      const double dd = std::abs(a.insertion_mm - b.insertion_mm);
      const double du = (a.u_free - b.u_free).norm();
      const MotionBounds bounds = motion_bounds(design, StateRange::of_motion(a, b));
      const Shape at_a(design, a);
      const Shape at_b(design, b);
      for (const double s : {kLength, 66.0, 52.0, 41.0, 30.0, 12.0, 0.0}) {
        CAPTURE(trial, s, dd, du, a.engaged.to_string());
        const double moved = (at_a.point_E(s) - at_b.point_E(s)).norm();
        REQUIRE(moved <= bounds.insertion_lever(s) * dd + bounds.curvature_lever_mm2(s) * du + kRounding_mm);
      }
    }
  }
}

TEST_CASE("The motion bounds hold between an allowed state and one that is past the curvature limit") {
  const unsigned seed = 33;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  const Design design = segment(CarriageKind::guide);
  const double body = 2.5;  // half a lock
  int past_the_limit = 0;
  double tightest = 0.0;
  for (int trial = 0; past_the_limit < 4000; ++trial) {
    // The allowed state has a frozen bend near its limit; the other, the cell's centre, has less of that
    // region out, and other bends.
    const int lock = trial % 2;
    const double f = 24.0 * std::pow(10.0, -2.5 * std::abs(uniform(random)));
    State a;
    a.insertion_mm = kLength - design.station_mm(lock) + body + f;
    if (lock == 1 && f > 17.0) a.insertion_mm += 2.0 * body;
    a.u_free = 0.7 * kCurvatureMax * Eigen::Vector2d(uniform(random), uniform(random));
    a.engaged.set(static_cast<std::size_t>(lock));
    const double angle = M_PI * uniform(random);
    a.theta_frozen.push_back((1.0 - 0.1 * std::abs(uniform(random))) * kCurvatureMax * f *
                             Eigen::Vector2d(std::cos(angle), std::sin(angle)));
    State c = a;
    c.insertion_mm -= f * std::abs(uniform(random));
    c.u_free += 0.3 * kCurvatureMax * Eigen::Vector2d(uniform(random), uniform(random));
    const double turn = 0.2 * a.theta_frozen[0].norm() * uniform(random);
    c.theta_frozen[0] += std::abs(turn) * Eigen::Vector2d(uniform(random), uniform(random));
    const auto regions = regions_of(design, c);
    if (!within_limits(design, a) || within_limits(design, c) || !regions[0].u.allFinite()) continue;
    ++past_the_limit;
    const double dd = a.insertion_mm - c.insertion_mm;
    const double du = (a.u_free - c.u_free).norm();
    const double dt = (a.theta_frozen[0] - c.theta_frozen[0]).norm();
    // The cell is as deep as it is shallow about its centre.
    const MotionBounds bounds =
        motion_bounds(design, testing::range_about(c, std::max(0.0, c.insertion_mm - dd), a.insertion_mm,
                                                   std::max(a.u_free.norm(), c.u_free.norm())));
    const Shape at_a(design, a);
    const Shape at_c(design, c);
    for (double s = 0.0; s <= kLength; s += 4.0) {
      CAPTURE(trial, s, dd, du, dt);
      const double moved = (at_a.point_E(s) - at_c.point_E(s)).norm();
      const double allowed = bounds.insertion_lever(s) * dd + bounds.curvature_lever_mm2(s) * du +
                             std::max(0.0, s - bounds.exposed_from_mm) * dt;
      REQUIRE(moved <= allowed + kRounding_mm);
      if (allowed > 1.0) tightest = std::max(tightest, moved / allowed);
    }
  }
  CHECK(tightest > 0.7);
}

TEST_CASE("Locking and unlocking change no point of the body") {
  const unsigned seed = 32;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = segment(carriage);
    for (int trial = 0; trial < 1000; ++trial) {
      State before;
      before.insertion_mm = 55.0 + 50.0 * uniform(random);
      before.u_free = 0.7 * kCurvatureMax * Eigen::Vector2d(uniform(random), uniform(random));
      const int lock = trial % 2;
      const State after = after_lock(design, before, lock);
      const Shape a(design, before);
      const Shape b(design, after);
      for (double s = 0.0; s <= kLength; s += 8.0) {
        CAPTURE(trial, s);
        REQUIRE((a.point_E(s) - b.point_E(s)).norm() <= kRounding_mm);
      }
      const State back = after_unlock(design, after, lock);
      CHECK(back == before);
    }
  }
}
