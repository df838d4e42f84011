// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/state.h"

#include <algorithm>
#include <cassert>

#include "geometry/numbers/numbers.h"

namespace withy {

double first_exposed_station(const Design& design, double insertion_mm) {
  if (design.carriage().kind == CarriageKind::free) return 0.0;
  return std::clamp(design.length_mm() - insertion_mm, 0.0, design.length_mm());
}

namespace {

Eigen::Vector2d frozen_curvature(const Eigen::Vector2d& theta, double flexible_mm) {
  if (theta.isZero(0.0)) return Eigen::Vector2d::Zero();
  if (flexible_mm > kNoLength_mm) return theta / flexible_mm;
  // A bend with no length to bend over: no finite curvature carries it.
  return Eigen::Vector2d::Constant(kInfinity);
}

}  // namespace

std::vector<Region> regions_of(const Design& design, const State& state) {
  assert(state.theta_frozen.size() == state.engaged.count());
  std::vector<Region> regions;
  regions.reserve(state.theta_frozen.size() + 1);
  double from = 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!state.engaged.test(static_cast<std::size_t>(lock))) continue;
    Region region;
    region.from_mm = from;
    region.to_mm = design.station_mm(lock);
    region.end_lock = lock;
    region.flexible_mm = exposed_flexible_length(design, state.insertion_mm, from, region.to_mm);
    region.theta = state.theta_frozen[regions.size()];
    region.u = frozen_curvature(region.theta, region.flexible_mm);
    from = region.to_mm;
    regions.push_back(region);
  }
  Region free;
  free.from_mm = from;
  free.to_mm = design.length_mm();
  free.flexible_mm = exposed_flexible_length(design, state.insertion_mm, from, free.to_mm);
  free.u = state.u_free;
  free.theta = free.flexible_mm * free.u;
  regions.push_back(free);
  return regions;
}

double exposed_flexible_length(const Design& design, double insertion_mm, double from_mm, double to_mm) {
  const double start = std::max(from_mm, first_exposed_station(design, insertion_mm));
  return start < to_mm ? design.flexible_length(start, to_mm) : 0.0;
}

std::size_t region_index(const LockSet& engaged, int lock) {
  std::size_t index = 0;
  for (int i = 0; i < lock; ++i) index += engaged.test(static_cast<std::size_t>(i)) ? 1 : 0;
  return index;
}

Eigen::Vector2d bend_up_to_lock(const State& state, int lock) {
  assert(state.engaged.test(static_cast<std::size_t>(lock)));
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (std::size_t r = 0; r <= region_index(state.engaged, lock); ++r) sum += state.theta_frozen[r];
  return sum;
}

}  // namespace withy
