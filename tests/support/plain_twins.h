// SPDX-License-Identifier: GPL-3.0-or-later
// One random segment and its states, made twice: for the planner and for the plain implementation. Header
// only, so that the plain library itself keeps clear of the planner.
#pragma once

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/segment/state.h"
#include "tests/support/plain_body.h"

namespace withy_plain {

struct Twins {
  withy::Design design;
  Robot robot;
};

inline double uniform(std::mt19937& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

/// A random segment with 0 to 4 locks, thick or thin, with or without rigid spans.
inline Twins random_twins(std::mt19937& random) {
  withy::DesignParts parts;
  parts.segment = {uniform(random, 40, 160), uniform(random, 0.5, 2), 0, 0.06, 900};
  if (random() % 3 != 0) parts.segment.tip_rigid_mm = uniform(random, 0.5, 8);
  parts.carriage = {random() % 2 == 0 ? withy::CarriageKind::free : withy::CarriageKind::guide, 250};
  const int locks = static_cast<int>(random() % 5);
  if (locks > 0) {
    withy::LockHardware lock;
    lock.body_length_mm = random() % 4 == 0 ? 0 : uniform(random, 0.5, 5);
    lock.body_radius_mm = parts.segment.radius_mm * uniform(random, 1, 1.5);
    lock.magnet_Am2 = 0.004;
    lock.angle_latched_rad = 1.5;
    lock.switch_torque_Nmm = lock.hold_torque_Nmm = 0.01;
    lock.hold_moment_Nmm = 60;
    parts.lock = lock;
  }
  const double room = parts.segment.length_mm - parts.segment.tip_rigid_mm;
  for (int i = 1; i <= locks; ++i) {
    parts.layout.station_mm.push_back(room * (i + uniform(random, -0.2, 0.2)) / (locks + 1));
    parts.layout.clock_rad.push_back(uniform(random, -3, 3));
  }
  auto design = withy::Design::make(parts);
  REQUIRE(design);

  Robot robot;
  robot.scene.length_mm = parts.segment.length_mm;
  robot.scene.radius_mm = parts.segment.radius_mm;
  robot.scene.tip_rigid_mm = parts.segment.tip_rigid_mm;
  robot.scene.rigidity_Nmm2 = parts.segment.flexural_rigidity_Nmm2;
  robot.scene.guide = parts.carriage.kind == withy::CarriageKind::guide;
  if (locks > 0)
    robot.scene.lock = Lock{parts.lock->body_length_mm, parts.lock->body_radius_mm, 0.004, 0, 1.5, 0, 0, 60};
  robot.layout = {parts.layout.station_mm, parts.layout.clock_rad};
  return {*design, robot};
}

/// Curvature of any size from 1e-15 to 0.05 per mm, sometimes none at all.
inline Eigen::Vector2d random_curvature(std::mt19937& random) {
  if (random() % 8 == 0) return Eigen::Vector2d::Zero();
  const double kappa =
      random() % 2 == 0 ? uniform(random, 0, 0.05) : std::pow(10, uniform(random, -15, -1.4));
  const double phi = uniform(random, -4, 4);
  return {kappa * std::cos(phi), kappa * std::sin(phi)};
}

/// A random state of the plain twin: any insertion, any set of engaged locks.
inline State random_state(const Robot& robot, std::mt19937& random) {
  State state;
  state.insertion_mm = uniform(random, 0, 1.3 * robot.scene.length_mm);
  double from = 0;
  for (const double station : robot.layout.station_mm) {
    state.locked.push_back(random() % 2 == 0);
    if (!state.locked.back()) continue;
    state.regions.push_back({from, station, random_curvature(random)});
    from = station;
  }
  state.regions.push_back({from, robot.scene.length_mm, random_curvature(random)});
  for (Region& r : state.regions) {
    const bool frozen = r.to_mm < robot.scene.length_mm;
    if (frozen && flexible_length(robot, state.insertion_mm, r.from_mm, r.to_mm) <= 1e-6) r.u.setZero();
  }
  return state;
}

/// The planner's form of the same state.
inline withy::State twin_of(const Robot& robot, const State& state) {
  withy::State twin;
  twin.insertion_mm = state.insertion_mm;
  for (std::size_t i = 0; i < state.locked.size(); ++i) twin.engaged.set(i, state.locked[i]);
  for (std::size_t r = 0; r + 1 < state.regions.size(); ++r) {
    twin.theta_frozen.push_back(theta(robot, state, state.regions[r]));
  }
  twin.u_free = state.regions.back().u;
  return twin;
}

}  // namespace withy_plain
