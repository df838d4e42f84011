// SPDX-License-Identifier: GPL-3.0-or-later
// Random segments, the same for the checker and for the plain implementation, boxes of states and states in
// them: locks from 0.5 to 25 mm, thick ones, rigid tips, bases far out and far in, both carriages.
#pragma once

#include <algorithm>
#include <cmath>
#include <optional>
#include <random>

#include "planner/proof/recheck/body.h"
#include "tests/support/plain_body.h"

namespace withy_test {

using withy::recheck::Body;
using withy::recheck::Interval;
using withy::recheck::Robot;
using withy::recheck::StateBox;

class Draw {
 public:
  explicit Draw(unsigned seed) : random_(seed) {}
  double between(double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random_);
  }
  bool chance(double share) { return between(0.0, 1.0) < share; }
  int count(int most) { return std::uniform_int_distribution<int>(0, most)(random_); }

 private:
  std::mt19937_64 random_;
};

/// A segment and the same for the plain implementation.
struct Both {
  Robot robot;
  withy_plain::Robot plain;
};

inline Both random_robot(Draw& draw) {
  Both both;
  Robot& robot = both.robot;
  const double L = std::exp(draw.between(std::log(20.0), std::log(200.0)));
  robot.segment = {L, 0.2 + 0.02 * L * draw.between(0.0, 1.0), draw.chance(0.5) ? 0.05 * L : 0.0, 4.0 / L,
                   400.0};
  const int locks = draw.count(3);
  if (locks > 0) {
    const double w = std::min({25.0, 0.15 * L, std::max(0.5, draw.between(0.0, 0.15 * L))});
    robot.lock = withy::LockHardware{
        w, robot.segment.radius_mm * draw.between(1.0, 2.0), 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
    for (int i = 0; i < locks; ++i)
      robot.layout.station_mm.push_back((0.9 * L) * (i + draw.between(0.4, 0.6)) / locks);
    robot.layout.clock_rad.assign(static_cast<std::size_t>(locks), 0.0);
  }
  robot.guide = draw.chance(0.5);
  robot.insertion_max_mm = robot.guide ? L : 1.6 * L;
  withy_plain::Scene& scene = both.plain.scene;
  scene.length_mm = L;
  scene.radius_mm = robot.segment.radius_mm;
  scene.tip_rigid_mm = robot.segment.tip_rigid_mm;
  scene.curvature_max_per_mm = robot.segment.curvature_max_per_mm;
  scene.guide = robot.guide;
  scene.insertion_max_mm = robot.insertion_max_mm;
  if (robot.lock)
    scene.lock = withy_plain::Lock{
        robot.lock->body_length_mm, robot.lock->body_radius_mm, 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
  both.plain.layout = {robot.layout.station_mm, robot.layout.clock_rad};
  return both;
}

inline Interval random_part(Draw& draw, double low, double high, double most_width) {
  const double width = draw.chance(0.2) ? 0.0 : most_width * std::exp2(draw.between(-14.0, 0.0));
  const double at = draw.between(low, high);
  return {at, std::min(high, at + width)};
}

inline StateBox random_box(Draw& draw, const Robot& robot, const Body& body) {
  StateBox box;
  const double kappa = robot.segment.curvature_max_per_mm;
  const Interval d = random_part(draw, 0.0, robot.insertion_max_mm, 0.3 * robot.segment.length_mm);
  box.d_lo = d.lo;
  box.d_hi = d.hi;
  for (Interval& u : box.u) u = random_part(draw, -0.7 * kappa, 0.7 * kappa, 0.5 * kappa);
  for (std::size_t r = 0; r < body.frozen_count(); ++r) {
    const double most = 0.7 * kappa * body.flexible(r, Interval(box.d_lo)).lo;
    box.theta.push_back(
        {random_part(draw, -most, most, 0.5 * most), random_part(draw, -most, most, 0.5 * most)});
  }
  return box;
}

/// A state of the box; nothing where a frozen bend has no length to be in.
inline std::optional<withy_plain::State> random_state(Draw& draw, const Both& both, const Body& body,
                                                      const StateBox& box) {
  withy_plain::State state;
  const auto within = [&](const Interval& x) {
    if (x.lo == x.hi) return x.lo;
    return draw.chance(0.3) ? (draw.chance(0.5) ? x.lo : x.hi) : std::min(x.hi, draw.between(x.lo, x.hi));
  };
  state.insertion_mm = std::clamp(within({box.d_lo, box.d_hi}), box.d_lo, box.d_hi);
  state.locked.assign(both.robot.layout.station_mm.size(), false);
  double from = 0.0;
  for (std::size_t r = 0; r < box.theta.size(); ++r) {
    const int lock = body.engaged()[r];
    state.locked[static_cast<std::size_t>(lock)] = true;
    const double to = both.robot.layout.station_mm[static_cast<std::size_t>(lock)];
    const double f = withy_plain::flexible_length(both.plain, state.insertion_mm, from, to);
    const Eigen::Vector2d theta(within(box.theta[r][0]), within(box.theta[r][1]));
    if (f <= 1e-9 && theta.norm() > 0.0) return std::nullopt;
    const Eigen::Vector2d u = f > 1e-9 ? Eigen::Vector2d(theta / f) : Eigen::Vector2d::Zero();
    if (u.norm() > both.robot.segment.curvature_max_per_mm) return std::nullopt;
    state.regions.push_back({from, to, u});
    from = to;
  }
  state.regions.push_back({from, both.robot.segment.length_mm, {within(box.u[0]), within(box.u[1])}});
  return state;
}

}  // namespace withy_test
