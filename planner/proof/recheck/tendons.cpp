// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/tendons.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>

namespace withy::recheck {
namespace {

// Tendons whose directions differ by less (sine of the angle) lie in one line.
constexpr double kParallel = 1e-9;
// A moment counts as one that tendons can pull to when it is off by no more than this share of EI kappa_max:
// directions come from angles in degrees, and a plane of tendons from them.
constexpr double kOffDirection = 1e-9;
// Corners are counted for so many tendons at most; beyond, friction is bounded as a whole.
constexpr std::size_t kMostForCorners = 10;
// exponential() takes no more.
constexpr double kMostExponent = 64.0;

bool is_zero(const Interval2& a) {
  return a[0].lo == 0.0 && a[0].hi == 0.0 && a[1].lo == 0.0 && a[1].hi == 0.0;
}

/// A stretch of the body of one curvature, or straight.
struct Stretch {
  Interval hidden;   // of its length, in the guide
  Interval exposed;  // past it
  bool straight;
  Interval2 u;
};

/// The body between two stations.
std::vector<Stretch> stretches(const Body& body, const std::vector<Interval2>& u, const Interval& from,
                               const Interval& to, const Interval& first_exposed) {
  std::vector<Stretch> all;
  const Interval zero(0.0);
  for (const Piece& piece : body.pieces()) {
    const Interval a = max(piece.from_mm, from);
    const Interval b = min(piece.to_mm, to);
    if (!(b.hi > a.lo)) continue;
    const Interval2& bend = u[static_cast<std::size_t>(piece.region)];
    const Interval hidden = first_exposed.hi <= a.lo ? zero : max(zero, min(b, first_exposed) - a);
    all.push_back({hidden, max(zero, b - max(a, first_exposed)), piece.rigid || is_zero(bend), bend});
  }
  return all;
}

Interval distance(const std::array<Interval, 3>& a, const std::array<Interval, 3>& b) {
  return sqrt(square(a[0] - b[0]) + square(a[1] - b[1]) + square(a[2] - b[2]));
}

}  // namespace

Tendons::Tendons(const Robot& robot) : robot_(robot) {
  assert(robot.tendons);
  for (const double beta : robot.tendons->angle_rad) {
    const SineCosine sc = sine_cosine(Interval(beta));
    direction_.push_back({sc.cosine, sc.sine});
  }
  const int n = static_cast<int>(direction_.size());
  const auto e = [&](int k) -> const Interval2& { return direction_[static_cast<std::size_t>(k)]; };
  std::vector<bool> paired(direction_.size(), false);
  for (int i = 0; i < n; ++i)
    for (int j = 0; j < n; ++j) {
      if (i == j || !(cross(e(i), e(j)).lo > kParallel)) continue;
      bool between = false;
      for (int k = 0; k < n; ++k)
        between |= cross(e(i), e(k)).lo > kParallel && cross(e(k), e(j)).lo > kParallel;
      if (between) continue;
      pairs_.push_back({i, j});
      paired[static_cast<std::size_t>(i)] = paired[static_cast<std::size_t>(j)] = true;
    }
  for (int i = 0; i < n; ++i)
    if (!paired[static_cast<std::size_t>(i)]) pairs_.push_back({i, -1});
}

std::vector<Interval2> Tendons::curvatures(const Body& body, const StateBox& box) {
  std::vector<Interval2> all;
  const Interval d(box.d_lo, box.d_hi);
  const Interval everything(-kInfinity, kInfinity);
  for (std::size_t r = 0; r < box.theta.size(); ++r) {
    const Interval f = body.flexible(r, d);
    if (is_zero(box.theta[r]))
      all.push_back({Interval(0.0), Interval(0.0)});
    else if (f.lo > 0.0)
      all.push_back({box.theta[r][0] / f, box.theta[r][1] / f});
    else
      all.push_back({everything, everything});
  }
  all.push_back(box.u);
  return all;
}

std::vector<Interval> Tendons::drawn_through_disks(const Body& body, const StateBox& box) const {
  const double L = robot_.segment.length_mm;
  const double h = robot_.tendons->disk_spacing_mm;
  const Interval r(robot_.tendons->radius_mm);
  const Interval zero(0.0);
  const Interval d(box.d_lo, box.d_hi);
  const Interval first = robot_.guide ? max(zero, Interval(L) - d) : zero;
  const std::vector<Interval2> u = curvatures(body, box);
  std::vector<Interval> drawn(direction_.size(), zero);
  // The last gap ends at L; one shorter than rounding is none.
  for (int gap = 0; gap * h < L * (1.0 - 1e-12); ++gap) {
    const Interval from = Interval(static_cast<double>(gap)) * Interval(h);
    const Interval next = Interval(static_cast<double>(gap + 1)) * Interval(h);
    const Interval to = next.lo < L * (1.0 - 1e-12) ? next : Interval(L);
    const Interval length = to - from;
    const std::vector<Stretch> parts = stretches(body, u, from, to, first);
    const bool one_curvature = parts.size() == 1 && !parts[0].straight && parts[0].hidden.hi <= 0.0;
    Frame<Interval> at{{zero, zero, zero},
                       {Interval(1.0), zero, zero, zero, Interval(1.0), zero, zero, zero, Interval(1.0)}};
    if (!one_curvature)
      for (const Stretch& part : parts) {
        at = after(at, part.u, part.hidden, true);
        at = after(at, part.u, part.exposed, part.straight);
      }
    for (std::size_t k = 0; k < direction_.size(); ++k) {
      const Interval2& e = direction_[k];
      if (one_curvature) {
        const Interval2& bend = parts[0].u;
        const Interval q = (square(bend[0]) + square(bend[1])) * square(length) * Interval(0.25);
        drawn[k] = drawn[k] + (length - length * sinc_of_square(q) * (Interval(1.0) - r * dot(e, bend)));
        continue;
      }
      const std::array<Interval, 3> hole = {r * e[0], r * e[1], zero};
      std::array<Interval, 3> other;
      for (std::size_t i = 0; i < 3; ++i)
        other[i] = at.p[i] + at.R[3 * i] * hole[0] + at.R[3 * i + 1] * hole[1];
      drawn[k] = drawn[k] + (length - distance(hole, other));
    }
  }
  return drawn;
}

std::vector<Interval> Tendons::pulls(const Body& body, const StateBox& box) const {
  const TendonHardware& t = *robot_.tendons;
  const Interval d(box.d_lo, box.d_hi);
  std::vector<Interval> out;
  if (t.disk_spacing_mm > 0.0) {
    out = drawn_through_disks(body, box);
  } else {
    const Interval f = body.flexible(body.frozen_count(), d);
    Interval2 sum = {f * box.u[0], f * box.u[1]};
    for (const Interval2& theta : box.theta)
      for (std::size_t i = 0; i < 2; ++i) sum[i] = sum[i] + theta[i];
    for (const Interval2& e : direction_) out.push_back(Interval(t.radius_mm) * dot(e, sum));
  }
  if (t.motors == Motors::stand)
    for (Interval& pull : out) pull = pull - d;
  return out;
}

/// The tensions with which a pair makes the moment; false where it can't in any state.
bool Tendons::tensions_of(const Pair& pair, const Interval2& need, std::vector<Interval>& tip_N) const {
  const TendonHardware& t = *robot_.tendons;
  const double off =
      kOffDirection * robot_.segment.flexural_rigidity_Nmm2 * robot_.segment.curvature_max_per_mm;
  const auto first = static_cast<std::size_t>(pair.first);
  const Interval2& e = direction_[first];
  tip_N.assign(direction_.size(), Interval(t.tension_min_N));
  const auto pull = [&](std::size_t k, const Interval& x) { tip_N[k] = tip_N[k] + max(Interval(0.0), x); };
  if (pair.second < 0) {
    if (!may_be_equal(cross(e, need), Interval(-off, off)) || dot(e, need).hi < -off) return false;
    pull(first, dot(e, need) / Interval(t.radius_mm));
    return true;
  }
  const auto second = static_cast<std::size_t>(pair.second);
  const Interval to_second = cross(need, direction_[second]);
  const Interval from_first = cross(e, need);
  if (to_second.hi < -off || from_first.hi < -off) return false;
  const Interval scale = Interval(t.radius_mm) * cross(e, direction_[second]);
  pull(first, to_second / scale);
  pull(second, from_first / scale);
  return true;
}

Tendons::Tensions Tendons::tensions(const Body& body, const StateBox& box) const {
  const TendonHardware& t = *robot_.tendons;
  Tensions out;
  const Interval f = body.flexible(body.frozen_count(), Interval(box.d_lo, box.d_hi));
  Interval wrapped = length({f * box.u[0], f * box.u[1]});
  for (const Interval2& theta : box.theta) wrapped = wrapped + length(theta);
  out.exponent = max(Interval(0.0), Interval(t.friction_coefficient) * wrapped);
  Interval2 need;
  for (std::size_t i = 0; i < 2; ++i) {
    Interval pre(0.0);
    for (const Interval2& e : direction_) pre = pre + e[i];
    need[i] = Interval(robot_.segment.flexural_rigidity_Nmm2) * box.u[i] -
              Interval(t.tension_min_N) * Interval(t.radius_mm) * pre;
  }
  Interval most(kInfinity, -kInfinity);
  std::vector<Interval> tip;
  for (const Pair& pair : pairs_) {
    if (!tensions_of(pair, need, tip)) continue;
    Interval largest(0.0);
    for (const Interval& x : tip) largest = max(largest, x);
    most = out.possible ? hull(most, largest) : largest;
    out.possible = true;
    out.tip_N.push_back(tip);
  }
  if (!out.possible)
    out.most_N = Interval(0.0, kInfinity);
  else
    out.most_N =
        most * (out.exponent.hi <= kMostExponent ? exponential(out.exponent) : Interval(1.0, kInfinity));
  return out;
}

std::vector<Interval> Tendons::at_base(const Tensions& tensions) const {
  std::vector<Interval> out;
  const Interval grown =
      tensions.exponent.hi <= kMostExponent ? exponential(tensions.exponent) : Interval(1.0, kInfinity);
  for (std::size_t k = 0; k < direction_.size(); ++k) {
    Interval all = tensions.tip_N.empty() ? Interval(0.0, kInfinity) : tensions.tip_N[0][k];
    for (const auto& tip : tensions.tip_N) all = hull(all, tip[k]);
    out.push_back(all * grown);
  }
  return out;
}

/// The corners' worst: moment' = sum of T_k e^(+-x) r_t e_k = cosh x M + sinh x sum of +-T_k r_t e_k.
Interval Tendons::worst_load(const std::vector<Interval>& tip_N, const Interval2& moment,
                             const Interval2& rest, const Interval& grown) const {
  const Interval shrunk = Interval(1.0) / grown;
  const Interval c = Interval(0.5) * (grown + shrunk);
  const Interval s = Interval(0.5) * max(Interval(0.0), grown - shrunk);
  const Interval r(robot_.tendons->radius_mm);
  const Interval2 middle = {c * moment[0] - rest[0], c * moment[1] - rest[1]};
  const std::size_t n = direction_.size();
  if (n > kMostForCorners) {
    Interval sum(0.0);
    for (const Interval& T : tip_N) sum = sum + T;
    return {length(middle).lo, (length(middle) + s * r * sum).hi};
  }
  std::vector<Interval2> arm(n);
  for (std::size_t k = 0; k < n; ++k)
    for (std::size_t i = 0; i < 2; ++i) arm[k][i] = s * r * tip_N[k] * direction_[k][i];
  Interval worst(0.0);
  for (unsigned corner = 0; corner < (1U << static_cast<unsigned>(n)); ++corner) {
    Interval2 v = middle;
    for (std::size_t k = 0; k < n; ++k)
      for (std::size_t i = 0; i < 2; ++i)
        v[i] = ((corner >> k) & 1U) != 0 ? v[i] + arm[k][i] : v[i] - arm[k][i];
    worst = max(worst, length(v));
  }
  return worst;
}

std::vector<Interval> Tendons::lock_loads(const Body& body, const StateBox& box, const Tensions& tensions,
                                          double limit_Nmm) const {
  const Interval EI(robot_.segment.flexural_rigidity_Nmm2);
  const std::vector<Interval2> u = curvatures(body, box);
  const Interval2 moment = {EI * u.back()[0], EI * u.back()[1]};
  std::vector<Interval> out;
  const bool known = tensions.possible && tensions.exponent.hi <= kMostExponent;
  const Interval grown = known ? exponential(tensions.exponent) : Interval(1.0, kInfinity);
  for (std::size_t r = 0; r < body.frozen_count(); ++r) {
    const Interval2 rest = {EI * u[r][0], EI * u[r][1]};
    // Without friction, and with all that friction may add: T exp(x) is farther from T than T exp(-x).
    const Interval tip = length({moment[0] - rest[0], moment[1] - rest[1]});
    if (!known) {
      out.emplace_back(tip.lo, kInfinity);
      continue;
    }
    const Interval added = Interval(static_cast<double>(direction_.size())) *
                           Interval(robot_.tendons->radius_mm) * tensions.most_N * tensions.exponent;
    const Interval loose(tip.lo, (tip + added).hi);
    if (loose.lo > limit_Nmm || loose.hi <= limit_Nmm || tensions.exponent.hi == 0.0) {
      out.push_back(loose);
      continue;
    }
    Interval load = worst_load(tensions.tip_N[0], moment, rest, grown);
    for (const auto& tension : tensions.tip_N) load = hull(load, worst_load(tension, moment, rest, grown));
    out.emplace_back(std::max(load.lo, loose.lo), std::min(load.hi, loose.hi));
  }
  return out;
}

}  // namespace withy::recheck
