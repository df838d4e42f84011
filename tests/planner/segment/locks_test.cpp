// SPDX-License-Identifier: GPL-3.0-or-later
// Lock loads against Euler-Bernoulli, play at the tip against closed forms and a scan.
#include "planner/segment/locks.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "planner/segment/shape.h"

namespace {

using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;

DesignParts parts_with(std::vector<double> stations) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout.clock_rad.assign(stations.size(), 0.0);
  parts.layout.station_mm = std::move(stations);
  parts.latch = LatchHardware{0.5, 1.2, {0.0, M_PI / 2}, 0.02, 0.06};
  parts.tendons = TendonHardware{1.2, {0, M_PI / 2, M_PI, 1.5 * M_PI}, 0, 8, 0.2, 15, 0.1, Motors::ride};
  parts.carriage = {CarriageKind::free, 160};
  return parts;
}

State engaged_at(std::vector<int> locks, std::vector<Eigen::Vector2d> theta, const Eigen::Vector2d& u) {
  State state;
  state.insertion_mm = 120;
  for (const int lock : locks) state.engaged.set(static_cast<std::size_t>(lock));
  state.theta_frozen = std::move(theta);
  state.u_free = u;
  return state;
}

}  // namespace

TEST_CASE("a lock carries the difference between the tendons' moment and the one its region would rest at") {
  // Beam of rigidity 900 N mm^2: moment EI kappa (Euler-Bernoulli). Flexible lengths by hand: 28 mm to lock
  // 1, 26 mm on to lock 2.
  DesignParts parts = parts_with({30, 60});
  parts.tendons->friction_coefficient = 0.0;
  const Design design = Design::make(parts).value();
  const State state = engaged_at({0, 1}, {{0.28, 0.0}, {0.0, 0.52}}, {-0.005, 0.01});
  const auto moment = lock_moments(design, TendonStatics(*design.tendons()), regions_of(design, state));
  REQUIRE(moment.size() == 2);
  CHECK_THAT(moment[0], WithinAbs(900 * std::hypot(0.015, 0.01), 1e-9));
  CHECK_THAT(moment[1], WithinAbs(900 * std::hypot(0.005, 0.01), 1e-9));
}

TEST_CASE("a released lock carries nothing, one just engaged neither") {
  DesignParts parts = parts_with({30, 60});
  parts.tendons->friction_coefficient = 0.0;
  const Design design = Design::make(parts).value();
  const State state = engaged_at({1}, {{0.0, 0.54}}, {0.0, 0.01});
  const auto moment = lock_moments(design, TendonStatics(*design.tendons()), regions_of(design, state));
  CHECK(moment[0] == 0.0);
  CHECK_THAT(moment[1], WithinAbs(0.0, 1e-9));
}

TEST_CASE("with friction a lock carries the worst of drawing and letting out, also when it opens") {
  // Equal curvature on both sides, as where a lock opens: 0.54 rad over 54 mm and 0.35 over 35 mm, so mu
  // Lambda = 0.1 x 0.89. Tendon 2 pulls with 0.2 N + 900 x 0.01 / 1.2 = 7.7 N, the other three with 0.2 N. By
  // hand the worst is tendon 2 drawn and tendon 4 let out, or the other way round, tendons 1 and 3 apart as
  // far as they go.
  const Design design = Design::make(parts_with({30, 60})).value();
  const State state = engaged_at({1}, {{0.0, 0.54}}, {0.0, 0.01});
  const auto load = lock_moments(design, TendonStatics(*design.tendons()), regions_of(design, state));
  const double up = std::exp(0.089);
  const double down = std::exp(-0.089);
  const double along = 1.2 * (7.7 * up - 0.2 * down) - 9.0;
  const double across = 1.2 * 0.2 * (up - down);
  CHECK_THAT(load[1], WithinAbs(std::hypot(along, across), 1e-9));
}

TEST_CASE("play at a lock of a straight segment moves the tip by the angle times its lever") {
  // An arc of flexible length f that turns by delta puts its end off by f delta / 2 and everything beyond by
  // delta times the distance: 28 mm bend, then 72 mm to the tip (72 = 2 mm of the lock's own body and 70
  // beyond it).
  const Design design = Design::make(parts_with({30})).value();
  const double play = 0.06 / 1.2;
  const double shift = backlash_tip_shift_mm(design, engaged_at({0}, {{0.0, 0.0}}, {0.0, 0.0}));
  CHECK_THAT(shift, WithinRel(play * (14.0 + 72.0), 1e-6));
}

TEST_CASE("play in a bent shape moves the tip as far as a scan of its directions does, to first order") {
  DesignParts parts = parts_with({40});
  parts.latch->engage_window_mm = 1e-4;
  parts.latch->backlash_mm = 1.2e-4;  // play of 1e-4 rad: second order is then 1e-4 of the first
  const Design design = Design::make(parts).value();
  const State state = engaged_at({0}, {{0.5, -0.3}}, {0.01, 0.02});
  const Eigen::Vector3d tip = Shape(design, state).tip_E().translation();
  double farthest = 0.0;
  for (int i = 0; i < 720; ++i) {
    State moved = state;
    moved.theta_frozen[0] += 1e-4 * Eigen::Vector2d(std::cos(i * M_PI / 360), std::sin(i * M_PI / 360));
    farthest = std::max(farthest, (Shape(design, moved).tip_E().translation() - tip).norm());
  }
  CHECK_THAT(backlash_tip_shift_mm(design, state), WithinRel(farthest, 1e-3));
}

TEST_CASE("without a frozen region, or without a latch, there is no play") {
  DesignParts parts = parts_with({40});
  CHECK(backlash_tip_shift_mm(Design::make(parts).value(), engaged_at({}, {}, {0.01, 0.0})) == 0.0);
  parts.latch.reset();
  CHECK(backlash_tip_shift_mm(Design::make(parts).value(), engaged_at({0}, {{0.3, 0.0}}, {0.0, 0.0})) == 0.0);
}
