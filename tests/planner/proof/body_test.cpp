// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's balls and notches against the plain implementation: every station of every state of a box
// lies in the ball that is said to hold it. Seeded random segments, carriages and boxes; locks from 0.5 to 25
// mm, thick ones, rigid tips, bases far out and far in.
#include "planner/proof/recheck/body.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/proof/recheck/lattice.h"
#include "tests/support/plain_body.h"

using namespace withy::recheck;

namespace {

constexpr unsigned kSeed = 2026;
constexpr int kBoxes = 2500;  // four states of each

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

Both random_robot(Draw& draw) {
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

Interval random_part(Draw& draw, double low, double high, double most_width) {
  const double width = draw.chance(0.2) ? 0.0 : most_width * std::exp2(draw.between(-14.0, 0.0));
  const double at = draw.between(low, high);
  return {at, std::min(high, at + width)};
}

StateBox random_box(Draw& draw, const Robot& robot, const Body& body) {
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
std::optional<withy_plain::State> random_state(Draw& draw, const Both& both, const Body& body,
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

}  // namespace

TEST_CASE("every state's stations lie in the balls of its box") {
  Draw draw(kSeed);
  CAPTURE(kSeed);
  int asked = 0;
  for (int i = 0; i < kBoxes; ++i) {
    const Both both = random_robot(draw);
    std::vector<int> engaged;
    for (int lock = 0; lock < both.robot.lock_count(); ++lock)
      if (draw.chance(0.5)) engaged.push_back(lock);
    const Body body(both.robot, engaged);
    const StateBox box = random_box(draw, both.robot, body);
    const Placed<Interval> placed(body, box);
    const Reach reach(body, box);
    for (int k = 0; k < 4; ++k) {
      const auto state = random_state(draw, both, body, box);
      if (!state) continue;
      const withy_plain::Body plain(both.plain, *state);
      for (int j = 0; j < 6; ++j) {
        const auto& station = body.stations()[static_cast<std::size_t>(
            draw.count(static_cast<int>(body.stations().size()) - 1))];
        const Ball ball =
            ball_of(placed.point(station.s_mm, station.piece), reach.along_mm(), reach.aside(station.s_mm));
        if (!std::isfinite(ball.radius)) continue;
        const double off = (plain.point_E(station.s_mm) - ball.centre).norm();
        CAPTURE(i, k, both.robot.guide, station.s_mm, box.d_lo, box.d_hi, state->insertion_mm,
                engaged.size());
        // 1e-9: the plain implementation rounds too.
        REQUIRE(off <= ball.radius + 1e-9);
        REQUIRE(station.radius_mm == withy_plain::radius(both.plain, station.s_mm));
        ++asked;
      }
    }
  }
  CHECK(asked > 20000);
}

TEST_CASE("the balls of points are points") {
  Draw draw(kSeed + 1);
  CAPTURE(kSeed + 1);
  for (int i = 0; i < 200; ++i) {
    const Both both = random_robot(draw);
    const Body body(both.robot, {});
    StateBox box = random_box(draw, both.robot, body);
    box.d_lo = box.d_hi;
    for (Interval& u : box.u) u = Interval(u.lo);
    const Placed<Interval> placed(body, box);
    const Reach reach(body, box);
    const auto& tip = body.stations().back();
    CHECK(ball_of(placed.point(tip.s_mm, tip.piece), reach.along_mm(), reach.aside(tip.s_mm)).radius < 1e-10);
  }
}

TEST_CASE("the notches are those of brute force") {
  // Every whole choice of n_k in a range, least squares by Eigen, residuals within the window.
  Draw draw(kSeed + 2);
  CAPTURE(kSeed + 2);
  for (int i = 0; i < 60; ++i) {
    withy::LatchHardware latch;
    latch.notch_pitch_mm = draw.between(0.2, 0.8);
    latch.backbone_radius_mm = draw.between(0.5, 2.0);
    latch.engage_window_mm = draw.between(0.0, 0.1) * latch.notch_pitch_mm;
    const int backbones = 2 + draw.count(1);
    const double turn = draw.between(0.0, 3.0);
    for (int k = 0; k < backbones; ++k)
      latch.backbone_angle_rad.push_back(turn + k * (draw.chance(0.5) ? 2.0 : 1.0) * M_PI / backbones *
                                                    draw.between(0.9, 1.1));
    const Lattice lattice(latch);
    if (lattice.kind() != Lattice::Kind::points) continue;
    const Interval2 box = {Interval(-0.9, 0.7), Interval(-0.6, 0.8)};
    std::vector<Notches> found;
    lattice.each_in(box, [&](const Notches& n, const Interval2&) { found.push_back(n); });
    std::sort(found.begin(), found.end());
    Eigen::MatrixXd A(backbones, 2);
    for (int k = 0; k < backbones; ++k)
      A.row(k) << latch.backbone_radius_mm * std::cos(latch.backbone_angle_rad[static_cast<std::size_t>(k)]),
          latch.backbone_radius_mm * std::sin(latch.backbone_angle_rad[static_cast<std::size_t>(k)]);
    const int most = static_cast<int>(std::ceil(1.3 * latch.backbone_radius_mm / latch.notch_pitch_mm)) + 1;
    std::vector<int> n(static_cast<std::size_t>(backbones), -most);
    int expected = 0;
    while (true) {
      Eigen::VectorXd slides(backbones);
      for (int k = 0; k < backbones; ++k) slides(k) = latch.notch_pitch_mm * n[static_cast<std::size_t>(k)];
      const Eigen::Vector2d S = (A.transpose() * A).ldlt().solve(A.transpose() * slides);
      const double edge = 1e-7;  // cases on the rim of box or window are nobody's
      if ((A * S - slides).cwiseAbs().maxCoeff() <= latch.engage_window_mm && S.x() > box[0].lo + edge &&
          S.x() < box[0].hi - edge && S.y() > box[1].lo + edge && S.y() < box[1].hi - edge) {
        CAPTURE(i, S.transpose());
        CHECK(std::binary_search(found.begin(), found.end(), n));
        ++expected;
      }
      std::size_t k = 0;
      while (k < n.size() && ++n[k] > most) n[k++] = -most;
      if (k == n.size()) break;
    }
    CHECK(static_cast<int>(found.size()) >= expected);
    CHECK(static_cast<int>(found.size()) <= expected + 4);
  }
}
