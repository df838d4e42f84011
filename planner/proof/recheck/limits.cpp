// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/limits.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include <fmt/format.h>

namespace withy::recheck {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
// By this share a limit may be passed before a state counts as breaking it: numbers in files are decimals.
constexpr double kLimitRounding = 3e-9;
// Tendons whose directions differ by less (sine of the angle) lie in one line.
constexpr double kParallel = 1e-9;

Interval cross(const Interval2& a, const Interval2& b) {
  return a[0] * b[1] - a[1] * b[0];
}
Interval dot(const Interval2& a, const Interval2& b) {
  return a[0] * b[0] + a[1] * b[1];
}

}  // namespace

Limits::Limits(const Robot& robot, const LimitsUsed& used)
    : robot_(robot), tendons_(used.tendons && robot.tendons.has_value()) {
  if (!robot.tendons) return;
  const std::vector<double>& angle = robot.tendons->angle_rad;
  for (const double beta : angle) {
    const SineCosine sc = sine_cosine(Interval(beta));
    direction_.push_back({sc.cosine, sc.sine});
  }
  // Neighbours by angle: no other direction between them.
  const std::size_t n = angle.size();
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = 0; j < n; ++j) {
      if (i == j || !(cross(direction_[i], direction_[j]).lo > kParallel)) continue;
      bool between = false;
      for (std::size_t k = 0; k < n; ++k)
        between |= cross(direction_[i], direction_[k]).lo > kParallel &&
                   cross(direction_[k], direction_[j]).lo > kParallel;
      if (!between) sectors_.emplace_back(i, j);
    }
  // All round: every direction has a next one less than half a turn on.
  for (std::size_t i = 0; i < n; ++i)
    whole_turn_ = whole_turn_ &&
                  std::any_of(sectors_.begin(), sectors_.end(), [&](const auto& s) { return s.first == i; });
}

bool Limits::curvature_broken_by(const Body& body, const StateBox& box) const {
  const double kappa = robot_.segment.curvature_max_per_mm * (1.0 + kLimitRounding);
  if (box.d_hi < 0.0 || box.d_lo > robot_.insertion_max_mm * (1.0 + kLimitRounding)) return true;
  if (length(box.u).lo > kappa) return true;
  const Interval d(box.d_hi);
  for (std::size_t r = 0; r < box.theta.size(); ++r)
    if (length(box.theta[r]).lo > (Interval(kappa) * body.flexible(r, d)).hi + 1e-12) return true;
  return false;
}

std::vector<Interval2> Limits::curvatures(const Body& body, const StateBox& box) const {
  std::vector<Interval2> all;
  const Interval d(box.d_lo, box.d_hi);
  for (std::size_t r = 0; r < box.theta.size(); ++r) {
    const Interval f = body.flexible(r, d);
    if (box.theta[r][0].lo == 0.0 && box.theta[r][0].hi == 0.0 && box.theta[r][1].lo == 0.0 &&
        box.theta[r][1].hi == 0.0)
      all.push_back({Interval(0.0), Interval(0.0)});
    else if (f.lo > 0.0)
      all.push_back({box.theta[r][0] / f, box.theta[r][1] / f});
    else
      all.push_back({Interval(-kInfinity, kInfinity), Interval(-kInfinity, kInfinity)});
  }
  all.push_back(box.u);
  return all;
}

/// The largest tension before friction. `possible`: false where no tensions make the moment.
Interval Limits::tension(const Interval2& u, bool& possible) const {
  const TendonHardware& t = *robot_.tendons;
  Interval2 need;
  for (std::size_t i = 0; i < 2; ++i) {
    Interval pre(0.0);
    for (const Interval2& e : direction_) pre = pre + e[i];
    need[i] = Interval(robot_.segment.flexural_rigidity_Nmm2) * u[i] -
              Interval(t.tension_min_N) * Interval(t.radius_mm) * pre;
  }
  Interval most(kInfinity, -kInfinity);
  for (const auto& [i, j] : sectors_) {
    const Interval to_second = cross(need, direction_[j]);
    const Interval from_first = cross(direction_[i], need);
    if (to_second.hi < 0.0 || from_first.hi < 0.0) continue;
    const Interval scale = Interval(1.0) / (Interval(t.radius_mm) * cross(direction_[i], direction_[j]));
    const Interval x = max(max(to_second * scale, from_first * scale), Interval(0.0));
    most = most.lo > most.hi ? x : hull(most, x);
  }
  possible = most.lo <= most.hi;
  return possible ? most + Interval(t.tension_min_N) : Interval(0.0, kInfinity);
}

Limits::Loads Limits::loads(const Body& body, const StateBox& box) const {
  Loads out;
  const TendonHardware& t = *robot_.tendons;
  const Interval d(box.d_lo, box.d_hi);
  const std::size_t free = body.frozen_count();
  std::vector<Interval2> bend = box.theta;
  const Interval f = body.flexible(free, d);
  bend.push_back({f * box.u[0], f * box.u[1]});
  Interval wrapped(0.0);
  Interval2 sum{};
  for (const Interval2& b : bend) {
    wrapped = wrapped + length(b);
    for (std::size_t i = 0; i < 2; ++i) sum[i] = sum[i] + b[i];
  }
  for (const Interval2& e : direction_) {
    Interval pull = Interval(t.radius_mm) * dot(e, sum);
    if (t.motors == Motors::stand) pull = pull - d;
    out.pull.push_back(pull);
  }
  const Interval lambda = Interval(t.friction_coefficient) * wrapped;
  const bool sectors_tell = whole_turn_ && !sectors_.empty();
  if (sectors_tell)
    out.tension = tension(box.u, out.possible) *
                  (lambda.hi <= 64.0 ? exponential(max(lambda, Interval(0.0))) : Interval(1.0, kInfinity));
  else
    out.tension = Interval(0.0, kInfinity);
  // A tendon's tension at the base is T exp(x): between exp(-x) and exp(x) times T it is never farther from T
  // than that times x.
  out.friction_moment = Interval(static_cast<double>(direction_.size())) * Interval(t.radius_mm) *
                        out.tension * max(lambda, Interval(0.0));
  const auto u = curvatures(body, box);
  for (std::size_t r = 0; r < free; ++r)
    out.lock_load.push_back(Interval(robot_.segment.flexural_rigidity_Nmm2) *
                            length({u.back()[0] - u[r][0], u.back()[1] - u[r][1]}));
  return out;
}

bool Limits::broken_by(const Body& body, const StateBox& box) const {
  if (curvature_broken_by(body, box)) return true;
  if (!tendons_) return false;
  const TendonHardware& t = *robot_.tendons;
  const Loads load = loads(body, box);
  const auto past = [](double value, double limit) { return value > limit + kLimitRounding * (1.0 + limit); };
  if (!load.possible || past(load.tension.lo, t.tension_max_N)) return true;
  for (const Interval& x : load.lock_load)
    if (robot_.lock && past(x.lo, robot_.lock->hold_moment_Nmm)) return true;
  if (t.disk_spacing_mm > 0.0) return false;
  return std::any_of(load.pull.begin(), load.pull.end(),
                     [&](const Interval& x) { return past(abs(x).lo, t.stroke_max_mm); });
}

bool Limits::may_be_kept_by(const Body& body, const StateBox& box) const {
  if (!breach(body, box, 0.0).empty()) return false;
  if (!tendons_) return true;
  const TendonHardware& t = *robot_.tendons;
  // Nothing here says what a tendon through disks is pulled by.
  if (t.disk_spacing_mm > 0.0) return false;
  if (!robot_.lock) return true;
  const Loads load = loads(body, box);
  return std::all_of(load.lock_load.begin(), load.lock_load.end(), [&](const Interval& x) {
    return (x + load.friction_moment).hi <= robot_.lock->hold_moment_Nmm;
  });
}

std::string Limits::breach(const Body& body, const StateBox& state, double share) const {
  const double more = 1.0 + share;
  const double kappa = robot_.segment.curvature_max_per_mm * more;
  if (state.d_lo < -share || state.d_hi > robot_.insertion_max_mm * more) return "insertion out of range";
  const auto u = curvatures(body, state);
  for (const Interval2& k : u)
    if (!(length(k).hi <= kappa))
      return fmt::format("curvature {:.6g} per mm, at most {:.6g}", length(k).hi,
                         robot_.segment.curvature_max_per_mm);
  if (!tendons_) return "";
  const TendonHardware& t = *robot_.tendons;
  const Loads load = loads(body, state);
  if (!load.possible || !(load.tension.hi <= t.tension_max_N * more))
    return fmt::format("tension {:.4g} N, at most {:.4g}", load.tension.hi, t.tension_max_N);
  if (t.disk_spacing_mm <= 0.0)
    for (const Interval& x : load.pull)
      if (!(abs(x).hi <= t.stroke_max_mm * more))
        return fmt::format("pull {:.4g} mm, at most {:.4g}", abs(x).hi, t.stroke_max_mm);
  return "";
}

}  // namespace withy::recheck
