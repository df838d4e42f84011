// SPDX-License-Identifier: GPL-3.0-or-later
// The state of one segment on its carriage: q = (d, engaged locks, Theta of each frozen region, u of the free
// region).
#pragma once

#include <bitset>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

/// Locks by index from 0 (most proximal).
using LockSet = std::bitset<kMaxLocks>;

/// A value; compares by its numbers. `theta_frozen` holds one bending angle vector (rad, local x-y) for each
/// engaged lock, proximal to distal: that of the region which ends at that lock's centre.
struct State {
  double insertion_mm = 0.0;
  LockSet engaged;
  std::vector<Eigen::Vector2d> theta_frozen;
  Eigen::Vector2d u_free = Eigen::Vector2d::Zero();  ///< curvature vector of the free region, 1/mm

  bool operator==(const State& other) const = default;
};

/// d = 0, straight, all locks released.
inline State start_state() {
  return {};
}

/// One region: the stretch between two engaged lock centres (or base, or tip).
struct Region {
  double from_mm = 0.0;
  double to_mm = 0.0;
  int end_lock = -1;         ///< the engaged lock at its distal end; -1 for the free region
  double flexible_mm = 0.0;  ///< f_e(d): flexible length beyond the guide (all of it with the free carriage)
  Eigen::Vector2d theta = Eigen::Vector2d::Zero();  ///< bending angle vector f u
  Eigen::Vector2d u = Eigen::Vector2d::Zero();      ///< curvature vector, 1/mm
  bool frozen() const { return end_lock >= 0; }
};

/// Stations below this are inside the guide and straight: L - d with the guide, 0 with the free carriage.
double first_exposed_station(const Design& design, double insertion_mm);

/// The regions of a state, proximal to distal, the free region last. A region wholly inside the guide has
/// theta = 0 and u = 0; a frozen region with a bend but no exposed flexible length has u infinite (its limit
/// is broken).
std::vector<Region> regions_of(const Design& design, const State& state);

/// A flexible length below this counts as none (mm): far below any machining tolerance, far above rounding.
inline constexpr double kNoLength_mm = 1e-9;

/// What rounding may do to an exposed flexible length, or to the first exposed station: at most 2 kMaxLocks +
/// 3 sums of lengths up to 1e3 mm, each wrong by 2^-53 of that.
inline constexpr double kLengthRounding_mm = 1e-12;

/// Exposed flexible length of [from, to] at insertion d; grows with d.
double exposed_flexible_length(const Design& design, double insertion_mm, double from_mm, double to_mm);

/// Index into regions_of of the region that ends at engaged lock `lock`, or that holds released lock `lock`.
std::size_t region_index(const LockSet& engaged, int lock);

/// Sum of the bending angle vectors from the base to engaged lock `lock`: what its latch holds.
Eigen::Vector2d bend_up_to_lock(const State& state, int lock);

}  // namespace withy
