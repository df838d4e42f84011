// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/action.h"

#include <cassert>

#include "planner/segment/curvature_limit.h"

namespace withy {

std::string_view name_of(ActionKind kind) {
  switch (kind) {
    case ActionKind::advance:
      return "advance";
    case ActionKind::bend:
      return "bend";
    case ActionKind::steer:
      return "steer";
    case ActionKind::lock:
      return "lock";
    case ActionKind::unlock:
      return "unlock";
  }
  return "";
}

State after_lock(const Design& design, const State& state, int lock) {
  assert(lock >= 0 && lock < design.lock_count() && !state.engaged.test(static_cast<std::size_t>(lock)));
  const auto regions = regions_of(design, state);
  const std::size_t at = region_index(state.engaged, lock);
  const Region& split = regions[at];
  const double station = design.station_mm(lock);
  State after = state;
  after.engaged.set(static_cast<std::size_t>(lock));
  const double proximal = exposed_flexible_length(design, state.insertion_mm, split.from_mm, station);
  const Eigen::Vector2d theta = proximal * split.u;
  after.theta_frozen.insert(after.theta_frozen.begin() + static_cast<std::ptrdiff_t>(at), theta);
  // The distal part: still the free region (same curvature), or a frozen one that keeps what is left of the
  // bend.
  if (split.frozen()) after.theta_frozen[at + 1] = split.theta - theta;
  return after;
}

State after_unlock([[maybe_unused]] const Design& design, const State& state, int lock) {
  assert(lock >= 0 && lock < design.lock_count() && state.engaged.test(static_cast<std::size_t>(lock)));
  const std::size_t at = region_index(state.engaged, lock);
  State after = state;
  after.engaged.reset(static_cast<std::size_t>(lock));
  const bool joins_frozen = at + 1 < state.theta_frozen.size();
  if (joins_frozen) after.theta_frozen[at + 1] += state.theta_frozen[at];
  after.theta_frozen.erase(after.theta_frozen.begin() + static_cast<std::ptrdiff_t>(at));
  return after;
}

bool unlock_keeps_shape(const Design& design, const State& state, int lock) {
  const auto regions = regions_of(design, state);
  const std::size_t at = region_index(state.engaged, lock);
  return (regions[at].u - regions[at + 1].u).norm() <= kEqualCurvature_per_mm;
}

bool within_limits(const Design& design, const State& state) {
  if (!(state.insertion_mm >= 0.0 && state.insertion_mm <= design.carriage().insertion_max_mm)) return false;
  const double limit = design.segment().curvature_max_per_mm * kCurvatureRounding;
  for (const Region& region : regions_of(design, state))
    if (!(region.u.norm() <= limit)) return false;
  return true;
}

State interpolate(const State& from, const State& to, double t) {
  State at = from;
  at.insertion_mm += t * (to.insertion_mm - from.insertion_mm);
  at.u_free += t * (to.u_free - from.u_free);
  return at;
}

}  // namespace withy
