// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/leaf.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "planner/segment/curvature_limit.h"
#include "planner/segment/tendons.h"

namespace withy {

bool boxes_touch(const Box& a, const Box& b) {
  assert(a.dimensions == b.dimensions);
  for (int k = 0; k < a.dimensions; ++k) {
    const auto i = Box::idx(k);
    const bool point = a.low[i] == a.high[i] || b.low[i] == b.high[i];
    const bool apart = k < 3 || point ? a.low[i] > b.high[i] || b.low[i] > a.high[i]
                                      : a.low[i] >= b.high[i] || b.low[i] >= a.high[i];
    if (apart) return false;
  }
  return true;
}

std::pair<double, double> curvature_range(const Box& box) {
  const auto nearest = [&](int k) { return std::max({0.0, box.low[Box::idx(k)], -box.high[Box::idx(k)]}); };
  const auto farthest = [&](int k) {
    return std::max(std::abs(box.low[Box::idx(k)]), std::abs(box.high[Box::idx(k)]));
  };
  return {std::hypot(nearest(1), nearest(2)), std::hypot(farthest(1), farthest(2))};
}

Box intersection(const Box& a, const Box& b) {
  Box out = a;
  for (int k = 0; k < a.dimensions; ++k) {
    const auto i = Box::idx(k);
    out.low[i] = std::max(a.low[i], b.low[i]);
    out.high[i] = std::min(a.high[i], b.high[i]);
  }
  return out;
}

namespace {

// A plane's or a line's direction counts as that of an axis when its component along the other is below this:
// degrees in radians are wrong by 1e-16.
constexpr double kParallel = 1e-9;
/// A leaf's box goes this much past the largest bend, so that a bend at the limit is in it however it rounds:
/// a bend that another leaf's curvature makes, or one that a checker works out by itself.
constexpr double kWholeBend = 1.0 + 1e-8;

/// The component across the plane in which all tendons bend the segment; -1 where there is no such plane or
/// it is neither that of x nor that of y.
int component_across(const Design& design) {
  if (!design.tendons()) return -1;
  const auto along = TendonStatics(*design.tendons()).plane();
  if (!along) return -1;
  if (std::abs(along->y()) < kParallel) return 1;
  return std::abs(along->x()) < kParallel ? 0 : -1;
}

}  // namespace

BendChart::BendChart(const Design& design, bool heeds_tendons, double station_play_mm)
    : design_(design),
      pinned_(heeds_tendons ? component_across(design) : -1),
      station_play_mm_(station_play_mm) {
  if (design.latch()) kind_ = lattice_kind(*design.latch());
  axes_.resize(2, coordinates());
  if (kind_ == LatticeKind::everything) axes_ = Eigen::Matrix2d::Identity();
  if (kind_ == LatticeKind::lines)
    axes_.col(0) = lattice_lines(*design.latch(), Eigen::Vector2d::Zero(), 2.0 * M_PI).front().direction;
}

bool BendChart::in_plane(const Eigen::Vector2d& theta) const {
  return pinned_ < 0 || std::abs(theta[pinned_]) < kNotchGrain;
}

bool BendChart::for_each_base(const Eigen::Vector2d& sum_before, const Eigen::Vector2d& centre,
                              double radius_rad, const Effort& effort,
                              const std::function<bool(const Eigen::Vector2d&)>& take) const {
  switch (kind_) {
    case LatticeKind::everything:
      return take(Eigen::Vector2d::Zero());
    case LatticeKind::lines:
      return for_each_lattice_line(
          *design_.latch(), sum_before + centre, radius_rad,
          [&](const BendLine& line) { return take(base_of(line.offset - sum_before)); });
    case LatticeKind::points:
      return for_each_lattice_point(exact_latch(*design_.latch()), sum_before + centre, radius_rad, effort,
                                    [&](const Eigen::Vector2d& bend) { return take(bend - sum_before); });
  }
  return true;
}

std::vector<Eigen::Vector2d> BendChart::bases_near(const Eigen::Vector2d& sum_before,
                                                   const Eigen::Vector2d& centre, double radius_rad) const {
  std::vector<Eigen::Vector2d> bases;
  for_each_base(sum_before, centre, radius_rad, Effort(), [&](const Eigen::Vector2d& base) {
    bases.push_back(base);
    return true;
  });
  return bases;
}

LeafKey Leaf::key() const {
  LeafKey key;
  key.engaged = static_cast<std::uint32_t>(engaged.to_ulong());
  for (const Eigen::Vector2d& b : base)
    key.notch.push_back({std::llround(b.x() / kNotchGrain), std::llround(b.y() / kNotchGrain)});
  return key;
}

Eigen::Vector2d Leaf::base_sum(int count) const {
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int r = 0; r < count; ++r) sum += base[static_cast<std::size_t>(r)];
  return sum;
}

std::vector<Stretch> stretches_of(const Design& design, const LockSet& engaged) {
  std::vector<Stretch> stretches;
  double from = 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!engaged.test(static_cast<std::size_t>(lock))) continue;
    stretches.push_back({from, design.station_mm(lock), lock});
    from = design.station_mm(lock);
  }
  stretches.push_back({from, design.length_mm(), -1});
  return stretches;
}

bool leaf_possible(const Design& design, const BendChart& chart, const Leaf& leaf) {
  const auto stretches = stretches_of(design, leaf.engaged);
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const double f = design.flexible_length(stretches[r].from_mm, stretches[r].to_mm);
    if (leaf.base[r].norm() > design.segment().curvature_max_per_mm * f * kCurvatureRounding) return false;
    if (!chart.in_plane(leaf.base[r])) return false;
  }
  return true;
}

namespace {

/// All leaves that engage `still_to_engage` more locks than `leaf`, from `next_lock` on.
bool for_each_leaf_from(const Design& design, const BendChart& chart, const Leaf& leaf, int next_lock,
                        int still_to_engage, const Effort& effort,
                        const std::function<bool(const Leaf&)>& take) {
  if (still_to_engage == 0) return take(leaf);
  const double from = leaf.base.empty() ? 0.0 : stretches_of(design, leaf.engaged).back().from_mm;
  for (int lock = next_lock; lock + still_to_engage <= design.lock_count(); ++lock) {
    const double most =
        design.segment().curvature_max_per_mm * design.flexible_length(from, design.station_mm(lock));
    const auto freeze = [&](const Eigen::Vector2d& base) {
      Leaf next = leaf;
      next.engaged.set(static_cast<std::size_t>(lock));
      next.base.push_back(base);
      return !leaf_possible(design, chart, next) ||
             for_each_leaf_from(design, chart, next, lock + 1, still_to_engage - 1, effort, take);
    };
    if (!chart.for_each_base(leaf.base_sum(leaf.engaged_count()), Eigen::Vector2d::Zero(), most, effort,
                             freeze))
      return false;
  }
  return true;
}

}  // namespace

bool for_each_leaf(const Design& design, const BendChart& chart, int engaged, const Effort& effort,
                   const std::function<bool(const Leaf&)>& take) {
  return for_each_leaf_from(design, chart, Leaf{}, 0, engaged, effort, take);
}

BendRange frozen_bends(const BendChart& chart, const Leaf& leaf, const Box& box, std::size_t r) {
  BendRange range{leaf.base[r], leaf.base[r]};
  const auto n = static_cast<std::size_t>(chart.coordinates());
  for (std::size_t c = 0; c < n; ++c) {
    const Eigen::Vector2d axis = chart.axes().col(static_cast<std::ptrdiff_t>(c));
    const Eigen::Vector2d a = axis * box.low[3 + r * n + c];
    const Eigen::Vector2d b = axis * box.high[3 + r * n + c];
    range.low += a.cwiseMin(b);
    range.high += a.cwiseMax(b);
  }
  return range;
}

Box whole_leaf(const Design& design, const BendChart& chart, const Leaf& leaf) {
  Box box;
  box.dimensions = 3 + chart.coordinates() * leaf.engaged_count();
  const double kappa = design.segment().curvature_max_per_mm;
  box.low = {0.0, -kappa, -kappa};
  box.high = {design.carriage().insertion_max_mm, kappa, kappa};
  if (chart.pinned() >= 0)
    box.low[Box::idx(1 + chart.pinned())] = box.high[Box::idx(1 + chart.pinned())] = 0.0;
  const auto stretches = stretches_of(design, leaf.engaged);
  int k = 3;
  for (int r = 0; r < leaf.engaged_count(); ++r) {
    const Stretch& s = stretches[static_cast<std::size_t>(r)];
    const double whole = kWholeBend * kappa * design.flexible_length(s.from_mm, s.to_mm);
    for (int c = 0; c < chart.coordinates(); ++c, ++k) {
      const double most = chart.pins_axis(c) ? 0.0 : whole;
      box.low[Box::idx(k)] = -most;
      box.high[Box::idx(k)] = most;
    }
  }
  return box;
}

State state_at(const BendChart& chart, const Leaf& leaf, const double* x) {
  State state;
  state.insertion_mm = x[0];
  state.u_free = {x[1], x[2]};
  state.engaged = leaf.engaged;
  state.theta_frozen = leaf.base;
  const int n = chart.coordinates();
  if (n > 0)
    for (std::size_t r = 0; r < leaf.base.size(); ++r)
      state.theta_frozen[r] +=
          chart.axes() * Eigen::Map<const Eigen::VectorXd>(x + 3 + static_cast<std::ptrdiff_t>(r) * n, n);
  return state;
}

State centre_state(const BendChart& chart, const Leaf& leaf, const Box& box) {
  std::array<double, kMaxDimensions> x{};
  for (int k = 0; k < box.dimensions; ++k) x[Box::idx(k)] = box.centre(k);
  return state_at(chart, leaf, x.data());
}

Leaf leaf_of(const BendChart& chart, const State& state) {
  Leaf leaf;
  leaf.engaged = state.engaged;
  for (const Eigen::Vector2d& theta : state.theta_frozen) leaf.base.push_back(chart.base_of(theta));
  return leaf;
}

std::array<double, kMaxDimensions> coordinates_of(const BendChart& chart, const State& state) {
  std::array<double, kMaxDimensions> x{};
  x[0] = state.insertion_mm;
  x[1] = state.u_free.x();
  x[2] = state.u_free.y();
  std::size_t k = 3;
  for (const Eigen::Vector2d& theta : state.theta_frozen) {
    const Eigen::VectorXd t = chart.axes().transpose() * theta;
    for (int c = 0; c < chart.coordinates(); ++c) x[k++] = t[c];
  }
  return x;
}

}  // namespace withy
