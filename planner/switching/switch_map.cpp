// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/switching/switch_map.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cassert>
#include <cmath>
#include <numbers>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// A strength above the limit by this share is rounding.
constexpr double kLimitRounding = 1e-9;

bool within(double strength, double limit_mT) {
  return strength <= limit_mT * (1.0 + kLimitRounding);
}

/// Strongest of locking and unlocking on one step of a way: the locks of `group` go from released to engaged,
/// those of `engaged` stay engaged, and back.
double step_mT(const Design& design, const BendPose& pose, unsigned engaged, unsigned group) {
  return std::max(strength_mT(design, pose, LockSet(engaged), LockSet(group)),
                  strength_mT(design, pose, LockSet(engaged | group), LockSet(group)));
}

template <class Order>
double in_order_mT(const Design& design, const BendPose& pose, const Order& lock_at) {
  double strongest = 0.0;
  unsigned engaged = 0;
  for (int step = 0; step < design.lock_count(); ++step) {
    const unsigned lock = 1U << lock_at(step);
    strongest = std::max(strongest, step_mT(design, pose, engaged, lock));
    engaged |= lock;
  }
  return strongest;
}

}  // namespace

std::vector<BendPose> bend_poses(const Design& design, const BendGrid& grid) {
  assert(design.lock_count() > 0);
  std::vector<BendPose> poses;
  const auto add = [&](int ring, int direction) {
    BendPose pose;
    pose.ring = ring;
    pose.direction = direction;
    const double kappa = design.segment().curvature_max_per_mm * ring / grid.rings;
    const double phi = 2.0 * std::numbers::pi * direction / grid.directions;
    pose.u = kappa * Eigen::Vector2d(std::cos(phi), std::sin(phi));
    State state;
    state.insertion_mm = design.carriage().insertion_max_mm;
    state.u_free = pose.u;
    pose.locks = lock_poses_E(design, state);
    poses.push_back(pose);
  };
  add(0, 0);
  for (int ring = 1; ring <= grid.rings; ++ring)
    for (int direction = 0; direction < grid.directions; ++direction) add(ring, direction);
  return poses;
}

SwitchCase usual_case(int lock, bool to_latched) {
  SwitchCase which;
  which.lock = lock;
  for (int i = 0; i < lock; ++i) which.engaged.set(static_cast<std::size_t>(i));
  which.engaged.set(static_cast<std::size_t>(lock), !to_latched);
  return which;
}

std::vector<SwitchCase> switch_cases(const Design& design) {
  std::vector<SwitchCase> cases;
  const int count = design.lock_count();
  for (int lock = 0; lock < count; ++lock) {
    for (const bool to_latched : {true, false}) {
      if (count > kAllStatesLocks) {
        cases.push_back(usual_case(lock, to_latched));
        continue;
      }
      for (unsigned engaged = 0; engaged < (1U << count); ++engaged)
        if (((engaged >> lock & 1U) == 0) == to_latched) cases.push_back({lock, LockSet(engaged)});
    }
  }
  return cases;
}

double strength_mT(const Design& design, const BendPose& pose, const LockSet& engaged,
                   const LockSet& switching) {
  if (const auto allowed = best_currents(design, pose.locks, engaged, switching, 1.0, 1.0))
    return allowed->strength_mT;
  const auto any = unlimited_currents(design, pose.locks, engaged, switching, 1.0);
  // Where the field limit is kept, it is the coils' currents that are not to be had.
  return any && !within(any->strength_mT, field_limit_mT(design)) ? any->strength_mT : kNoField_mT;
}

double reserve_in(const Design& design, const BendPose& pose, const LockSet& engaged,
                  const LockSet& switching) {
  const auto currents = best_currents(design, pose.locks, engaged, switching, reserve_wanted(design));
  return currents ? currents->reserve : 0.0;
}

double field_limit_mT(const Design& design) {
  return design.field() ? design.field()->strength_max_mT : std::numeric_limits<double>::max();
}

double SwitchMap::least() const {
  return *std::min_element(strength_mT.begin(), strength_mT.end());
}

double SwitchMap::most() const {
  double most = -1.0;
  for (const double strength : strength_mT)
    if (std::isfinite(strength)) most = std::max(most, strength);
  return most < 0.0 ? kNoField_mT : most;
}

double SwitchMap::share_allowed() const {
  const auto count =
      std::count_if(reserve.begin(), reserve.end(), [](double r) { return r >= kAllowedReserve; });
  return static_cast<double>(count) / static_cast<double>(reserve.size());
}

double SwitchMap::least_reserve() const {
  double least = 0.0;
  for (const double r : reserve)
    if (r >= kAllowedReserve) least = least > 0.0 ? std::min(least, r) : r;
  return least;
}

double SwitchMap::share_without() const {
  const auto count = std::count_if(strength_mT.begin(), strength_mT.end(),
                                   [](double strength) { return std::isinf(strength); });
  return static_cast<double>(count) / static_cast<double>(strength_mT.size());
}

SwitchMap switch_map(const Design& design, const std::vector<BendPose>& poses, const SwitchCase& which,
                     const Effort& effort) {
  SwitchMap map;
  map.which = which;
  const LockSet switching = only(which.lock);
  map.strength_mT.reserve(poses.size());
  for (const BendPose& pose : poses) {
    if (effort.cut_short()) break;
    map.strength_mT.push_back(strength_mT(design, pose, which.engaged, switching));
    map.reserve.push_back(reserve_in(design, pose, which.engaged, switching));
  }
  return map;
}

double proximal_first_mT(const Design& design, const BendPose& pose) {
  return in_order_mT(design, pose, [](int step) { return step; });
}

double proximal_first_reserve(const Design& design, const BendPose& pose) {
  double least = kInfinity;
  for (int lock = 0; lock < design.lock_count(); ++lock)
    for (const bool to_latched : {true, false}) {
      const LockSet switching = only(lock);
      const auto currents = best_currents(design, pose.locks, usual_case(lock, to_latched).engaged, switching,
                                          reserve_wanted(design), 1.0);
      if (!currents) return 0.0;
      least = std::min(least, currents->reserve);
    }
  return least;
}

double distal_first_mT(const Design& design, const BendPose& pose) {
  return in_order_mT(design, pose, [&](int step) { return design.lock_count() - 1 - step; });
}

double best_order_mT(const Design& design, const BendPose& pose, int group, const Effort& effort) {
  // Least strongest field to come from no lock engaged to each set, sets in the order of their numbers:
  // adding locks makes a number larger, so each set is final when its turn comes.
  const unsigned all = (1U << design.lock_count()) - 1U;
  std::array<double, 1U << kMaxLocks> reach;
  reach.fill(kNoField_mT);
  reach[0] = 0.0;
  for (unsigned engaged = 0; engaged < all; ++engaged) {
    if (std::isinf(reach[engaged])) continue;
    const unsigned released = all & ~engaged;
    for (unsigned added = released; added != 0; added = (added - 1U) & released) {
      if (std::popcount(added) > group || reach[engaged | added] <= reach[engaged]) continue;
      if (effort.cut_short()) return kNoField_mT;
      const double step = std::max(reach[engaged], step_mT(design, pose, engaged, added));
      reach[engaged | added] = std::min(reach[engaged | added], step);
    }
  }
  return reach[all];
}

const char* name_of(Separability separability) {
  switch (separability) {
    case Separability::alone:
      return "alone";
    case Separability::together:
      return "together";
    case Separability::never:
      return "not at all";
  }
  return "";
}

Separability separability(const Design& design, const BendPose& pose, double limit_mT, const Effort& effort) {
  if (within(best_order_mT(design, pose, 1, effort), limit_mT)) return Separability::alone;
  if (within(best_order_mT(design, pose, design.lock_count(), effort), limit_mT))
    return Separability::together;
  return Separability::never;
}

}  // namespace withy
