// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/plan_motions.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace withy::recheck {

namespace {

// Shares of a motion and of the body shorter than this (mm) are not cut any more. A motion driven by hand may
// end with its tip micrometres in front of the entry's plane, beside the opening, and that has to be told
// from a touch.
constexpr double kFinestCut_mm = 1e-9;
// By this share a limit may be passed on the way: the ends may stand at it, and the box about a share of the
// motion is larger than the motion.
constexpr double kOnTheWayShare = 1e-6;
// A motion is cut for limits no finer than this, and into no more parts.
constexpr double kFinestShare = 0x1p-30;
constexpr int kMostParts = 100000;

}  // namespace

StateBox between(const Step& step, double t0, double t1) {
  StateBox box = step.from;
  const Interval t(t0, t1);
  const auto at = [&](const Interval& a, const Interval& b) {
    return hull(a, b).lo == hull(a, b).hi ? a : a + t * (b - a);
  };
  const Interval d = at(Interval(step.from.d_lo), Interval(step.to.d_lo));
  box.d_lo = d.lo;
  box.d_hi = d.hi;
  for (std::size_t i = 0; i < 2; ++i) box.u[i] = at(step.from.u[i], step.to.u[i]);
  return box;
}

namespace {

/// A share of a motion, and of one piece of the body.
struct Share {
  double t0;
  double t1;
  double s0;
  double s1;
};

/// Proves D - R >= need for every state of the motion and every station of a piece.
bool piece_is_clear(const Step& step, std::size_t piece, double need, const Wall& wall,
                    const std::function<bool()>& stop) {
  const Piece& p = step.body->pieces()[piece];
  std::vector<Share> open = {{0.0, 1.0, p.from_mm.lo, p.to_mm.hi}};
  while (!open.empty()) {
    if (stop()) return false;
    const Share share = open.back();
    open.pop_back();
    const StateBox box = between(step, share.t0, share.t1);
    const double s = 0.5 * (share.s0 + share.s1);
    const double gap = 0.5 * (share.s1 - share.s0) * kRoundedUp;
    const Placed<Interval> placed(*step.body, box);
    const Reach reach(*step.body, box);
    Ball ball = ball_of(placed.point(s, piece), reach.along_mm(), reach.aside(s));
    const double moved = ball.radius;
    ball.radius = (ball.radius + gap) * kRoundedUp;
    if (ball.centre.z() + ball.radius <= 0.0 || wall.above_in(ball, next_up(need + p.radius_mm))) continue;
    if (ball.radius < kFinestCut_mm) return false;
    const bool in_time = moved > gap;
    Share other = share;
    Share one = share;
    (in_time ? one.t1 : one.s1) = in_time ? 0.5 * (share.t0 + share.t1) : s;
    (in_time ? other.t0 : other.s0) = in_time ? 0.5 * (share.t0 + share.t1) : s;
    if (in_time && !(one.t1 > share.t0 && one.t1 < share.t1)) return false;
    open.push_back(other);
    open.push_back(one);
  }
  return true;
}

/// The same of the shaft, which stands on the axis down to its deepest.
bool shaft_is_clear(const Step& step, double need, const Wall& wall) {
  const Robot& robot = step.body->robot();
  const double depth = std::max(step.from.d_hi, step.to.d_hi) - robot.segment.length_mm;
  std::vector<std::pair<double, double>> open;
  if (depth > 0.0) open.emplace_back(0.0, next_up(depth));
  while (!open.empty()) {
    const auto [low, high] = open.back();
    open.pop_back();
    const double middle = 0.5 * (low + high);
    const double half = 0.5 * (high - low) * kRoundedUp;
    if (wall.above_in({{0.0, 0.0, middle}, half}, next_up(need + robot.segment.radius_mm))) continue;
    if (half < kFinestCut_mm) return false;
    open.emplace_back(low, middle);
    open.emplace_back(middle, high);
  }
  return true;
}

}  // namespace

Finding limits_hold(const Step& step, const Limits& limits) {
  std::vector<std::pair<double, double>> open = {{0.0, 1.0}};
  for (int parts = 0; !open.empty(); ++parts) {
    const auto [t0, t1] = open.back();
    open.pop_back();
    const StateBox box = between(step, t0, t1);
    const std::string breach = limits.breach(*step.body, box, kOnTheWayShare);
    if (breach.empty()) continue;
    if (limits.broken_by(*step.body, box)) return refuted("it breaks a limit on its way: " + breach);
    if (t1 - t0 < kFinestShare || parts > kMostParts)
      return open_still("whether it keeps a limit on its way: " + breach);
    const double middle = 0.5 * (t0 + t1);
    open.emplace_back(middle, t1);
    open.emplace_back(t0, middle);
  }
  return std::nullopt;
}

bool is_clear(const Step& step, double need, const Wall& wall, const std::function<bool()>& stop) {
  for (std::size_t i = 0; i < step.body->pieces().size(); ++i)
    if (!piece_is_clear(step, i, need, wall, stop)) return false;
  return shaft_is_clear(step, need, wall);
}

}  // namespace withy::recheck
