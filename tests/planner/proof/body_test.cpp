// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's balls and notches against the plain implementation: every station of every state of a box
// lies in the ball that is said to hold it. Seeded random segments, carriages and boxes.
#include "planner/proof/recheck/body.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/proof/recheck/lattice.h"
#include "tests/planner/proof/random_boxes.h"

using namespace withy::recheck;
using namespace withy_test;

namespace {

constexpr unsigned kSeed = 2026;
constexpr int kBoxes = 2500;  // four states of each

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
  // Every whole choice of n_k in a range, least squares by Eigen, no residual. The window is the bench's: it
  // must not matter. Backbones at multiples of 60 and 90 degrees have such bends, those at other angles few
  // or none.
  Draw draw(kSeed + 2);
  CAPTURE(kSeed + 2);
  int all = 0;
  for (int i = 0; i < 60; ++i) {
    withy::LatchHardware latch;
    latch.notch_pitch_mm = draw.between(0.2, 0.8);
    latch.backbone_radius_mm = draw.between(0.5, 2.0);
    latch.engage_window_mm = draw.between(0.0, 0.1) * latch.notch_pitch_mm;
    const int backbones = 2 + draw.count(1);
    const double turn = draw.between(0.0, 3.0);
    const bool even = draw.chance(0.7);
    for (int k = 0; k < backbones; ++k)
      latch.backbone_angle_rad.push_back(turn + k * (even || draw.chance(0.5) ? 2.0 : 1.0) * M_PI /
                                                    backbones * (even ? 1.0 : draw.between(0.9, 1.1)));
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
      if ((A * S - slides).cwiseAbs().maxCoeff() <= 1e-10 && S.x() > box[0].lo + edge &&
          S.x() < box[0].hi - edge && S.y() > box[1].lo + edge && S.y() < box[1].hi - edge) {
        CAPTURE(i, S.transpose());
        CHECK(std::binary_search(found.begin(), found.end(), n));
        ++expected;
      }
      std::size_t k = 0;
      while (k < n.size() && ++n[k] > most) n[k++] = -most;
      if (k == n.size()) break;
    }
    all += expected;
    CHECK(static_cast<int>(found.size()) >= expected);
    CHECK(static_cast<int>(found.size()) <= expected + 4);
  }
  CHECK(all > 200);
}
