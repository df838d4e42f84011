// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 16 (leaves). Every allowed state whose bends are latched lies in whole_leaf of leaf_of(state), and
// for_each_leaf hands that leaf out.
//   Rounding. A bend on a notch is a least-squares solution of a dozen operations less the sum of kMaxLocks
//   bends, angles of at most 1e2 rad: wrong by 30 roundings of 2^-53 of that, 4e-13 rad, in the state and in
//   what is handed out alike. The largest bend is a product with a length (kLengthRounding_mm). What is
//   handed out is let out by more: the lattice by 1e-9 rad (latch.cpp), leaf_possible by 1e-9 of the largest
//   bend, the box of continuous coordinates by kWholeBend. A leaf is told by its discrete part in units of
//   kNotchGrain. Where one lies within 1e-12 rad of the middle between two units, it may go by two names.
//   Each is then searched as a leaf of its own, with the same states: twice the work, and nothing left out.
//
// Leaves: the sets of states with the same engaged locks and the same notches.
//
// With notched locks the frozen bends come from a lattice, and a leaf has three coordinates: insertion d and
// the free curvature (ux, uy). A friction lock, or backbones that all lie in one plane, leave a frozen bend
// one or two continuous coordinates of its own; they are then coordinates of the leaf too, though no action
// within the leaf moves them. The coordinates of a leaf are thus (d, ux, uy, t_1, t_2, ...), and frozen
// region r bends by
//     Theta_r = base_r + axes . (its t),   axes the unit vectors of the plane, or the one direction the
//     notches leave free.
//
// Two tendons bend the segment in their plane only. Where that is the section's x-z or y-z plane, the
// coordinate across it is pinned to 0: boxes have no width there. (Across any other plane no box of ux and uy
// holds allowed states only, and nothing that bends can be proved free.)
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <compare>
#include <cstdint>
#include <functional>
#include <utility>
#include <vector>

#include <Eigen/Core>

#include "planner/effort/effort.h"
#include "planner/segment/latch.h"
#include "planner/segment/state.h"

namespace withy {

inline constexpr int kMaxDimensions = 3 + 2 * kMaxLocks;

/// A closed box of leaf coordinates.
struct Box {
  int dimensions = 3;
  std::array<double, kMaxDimensions> low{};
  std::array<double, kMaxDimensions> high{};

  double centre(int k) const { return 0.5 * (low[idx(k)] + high[idx(k)]); }
  double half(int k) const { return 0.5 * (high[idx(k)] - low[idx(k)]); }
  /// No less than what any point of the box is from centre(k), which is rounded itself: a difference, one
  /// rounding.
  double from_centre(int k) const {
    return std::max(high[idx(k)] - centre(k), centre(k) - low[idx(k)]) * (1.0 + 0x1p-52);
  }
  bool contains(int k, double x) const { return x >= low[idx(k)] && x <= high[idx(k)]; }
  static std::size_t idx(int k) { return static_cast<std::size_t>(k); }
};

/// Do the boxes share a point, and (in the frozen coordinates with any width, which no motion changes) more
/// than a face?
bool boxes_touch(const Box& a, const Box& b);

/// Least and greatest |u| over the box.
std::pair<double, double> curvature_range(const Box& box);

/// The shared part of two boxes that touch.
Box intersection(const Box& a, const Box& b);

/// Bends nearer than this (rad) are one bend: far below a notch, far above rounding.
inline constexpr double kNotchGrain = 1e-7;

/// How the latch lets frozen bends lie: constant for a design.
class BendChart {
 public:
  /// `heeds_tendons`: bends that the tendons can't make are left out.
  /// `station_play_mm`: the locks may sit so far from the design's stations (links.h).
  BendChart(const Design& design, bool heeds_tendons, double station_play_mm = 0.0);
  double station_play_mm() const { return station_play_mm_; }

  LatticeKind kind() const { return kind_; }
  /// Continuous coordinates of one frozen bend: 0, 1 or 2.
  int coordinates() const { return kind_ == LatticeKind::points ? 0 : kind_ == LatticeKind::lines ? 1 : 2; }
  /// 2 x coordinates(): unit vectors along which a frozen bend is continuous.
  const Eigen::Matrix2Xd& axes() const { return axes_; }

  /// The component, 0 or 1, of every curvature and bend that the tendons hold at 0; -1 where there is none.
  int pinned() const { return pinned_; }
  /// Is continuous coordinate `c` of every frozen bend the pinned component?
  bool pins_axis(int c) const { return pinned_ >= 0 && std::abs(axes_(1 - pinned_, c)) < kNotchGrain; }
  /// Has this frozen bend nothing but rounding of the pinned component?
  bool in_plane(const Eigen::Vector2d& theta) const;

  /// What is left of a bend when its continuous coordinates are taken out: the leaf's discrete part.
  Eigen::Vector2d base_of(const Eigen::Vector2d& theta) const {
    return theta - axes_ * (axes_.transpose() * theta);
  }

  /// Hands out the discrete parts of all bends Theta with Theta + `sum_before` latchable and |Theta - centre|
  /// <= radius. The sum is that of the frozen bends before the lock. No duplicates, in an order that never
  /// changes, until `take` returns false or the effort is cut short; false then.
  bool for_each_base(const Eigen::Vector2d& sum_before, const Eigen::Vector2d& centre, double radius_rad,
                     const Effort& effort, const std::function<bool(const Eigen::Vector2d&)>& take) const;
  /// All of them.
  std::vector<Eigen::Vector2d> bases_near(const Eigen::Vector2d& sum_before, const Eigen::Vector2d& centre,
                                          double radius_rad) const;

 private:
  const Design& design_;
  LatticeKind kind_ = LatticeKind::everything;
  Eigen::Matrix2Xd axes_;
  int pinned_ = -1;
  double station_play_mm_ = 0.0;
};

/// A leaf's identity: engaged locks and the discrete part of each frozen bend, proximal to distal.
struct LeafKey {
  std::uint32_t engaged = 0;
  std::vector<std::array<std::int64_t, 2>> notch;  ///< base in units of kNotchGrain
  auto operator<=>(const LeafKey&) const = default;
};

/// One leaf's geometry; a value.
struct Leaf {
  LockSet engaged;
  std::vector<Eigen::Vector2d> base;  ///< one for each frozen region
  int engaged_count() const { return static_cast<int>(base.size()); }

  LeafKey key() const;
  /// Sum of the discrete parts of the first `count` frozen bends.
  Eigen::Vector2d base_sum(int count) const;
};

/// The whole of a leaf: d in [0, d_max], u in the square about the curvature disk, frozen coordinates within
/// what the curvature limit allows for the region's full flexible length; what is pinned at 0.
Box whole_leaf(const Design& design, const BendChart& chart, const Leaf& leaf);

/// The state at leaf coordinates `x` (as many as the leaf has).
State state_at(const BendChart& chart, const Leaf& leaf, const double* x);
State centre_state(const BendChart& chart, const Leaf& leaf, const Box& box);

/// Leaf coordinates of a state, and its leaf.
Leaf leaf_of(const BendChart& chart, const State& state);
std::array<double, kMaxDimensions> coordinates_of(const BendChart& chart, const State& state);

/// Stations where frozen region r of a leaf starts and ends, r = engaged_count() being the free region.
struct Stretch {
  double from_mm = 0.0;
  double to_mm = 0.0;
  int end_lock = -1;
};
std::vector<Stretch> stretches_of(const Design& design, const LockSet& engaged);

/// Does every frozen bend keep the curvature limit when all of its region is out, and the tendons' plane?
bool leaf_possible(const Design& design, const BendChart& chart, const Leaf& leaf);

/// Hands out all possible leaves with so many engaged locks, in an order that never changes, until `take`
/// returns false or the effort is cut short; false then.
bool for_each_leaf(const Design& design, const BendChart& chart, int engaged, const Effort& effort,
                   const std::function<bool(const Leaf&)>& take);

/// Bounds, component by component, of a frozen bend over a box.
struct BendRange {
  Eigen::Vector2d low;
  Eigen::Vector2d high;
};

/// Those of frozen region r.
BendRange frozen_bends(const BendChart& chart, const Leaf& leaf, const Box& box, std::size_t r);

}  // namespace withy
