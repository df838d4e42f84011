// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/hunt_field.h"

#include <algorithm>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/hardware_bounds.h"

namespace withy {
namespace {

/// Share of a limit that the arithmetic itself may be off by.
constexpr double kArithmetic = 1e-9;

/// What currents come to at the corners.
struct AtCorners {
  double reserve = kInfinity;
  double strength_mT = 0.0;
  int strongest = 0;  ///< lock
};

AtCorners at_corners(const Design& design, const LockSet& engaged, int lock, const Currents& current_A,
                     std::span<const SweepCorners> sweeps) {
  AtCorners at;
  for (const SweepCorners& corners : sweeps)
    for (const State& state : corners) {
      const LockPoses poses = lock_poses_E(design, state);
      at.reserve = std::min(at.reserve, reserve_of(design, poses, engaged, lock, current_A));
      for (int i = 0; i < design.lock_count(); ++i) {
        const double strength = field_at_lock_S(design, poses, i, current_A).norm();
        if (strength <= at.strength_mT) continue;
        at.strength_mT = strength;
        at.strongest = i;
      }
    }
  return at;
}

/// Proved over the chords from corner `first` to corner `last`?
bool serves(const Design& design, const LockSet& engaged, int lock, const Currents& current_A,
            std::span<const State> corners) {
  if (corners.size() == 2)
    return currents_serve_way(design, corners.front(), corners.back(), engaged, lock, current_A);
  StateBox box = StateBox::around(corners.front());
  for (const State& state : corners) {
    box.u_lo = box.u_lo.cwiseMin(state.u_free);
    box.u_hi = box.u_hi.cwiseMax(state.u_free);
  }
  if (currents_serve_box(design, box, engaged, lock, current_A)) return true;
  const std::size_t half = corners.size() / 2;  // the corner that ends one part begins the other
  return serves(design, engaged, lock, current_A, corners.first(half + 1)) &&
         serves(design, engaged, lock, current_A, corners.subspan(half));
}

}  // namespace

std::string swept_field_objection(const Design& design, const LockSet& engaged, int lock,
                                  const Currents& current_A, std::span<const SweepCorners> sweeps) {
  const AtCorners at = at_corners(design, engaged, lock, current_A, sweeps);
  if (!(at.reserve >= 1.0 - kArithmetic))
    return fmt::format("leaves the switching field a reserve of {:.3f}, where 1 is the least", at.reserve);
  if (design.field() && !(at.strength_mT <= design.field()->strength_max_mT * (1.0 + kArithmetic)))
    return fmt::format("brings lock {} to where the coils make {:.3f} mT, above the limit of {:.4g} mT",
                       at.strongest + 1, at.strength_mT, design.field()->strength_max_mT);
  for (const SweepCorners& corners : sweeps)
    if (corners.size() > 1 && !serves(design, engaged, lock, current_A, corners))
      return "can't be shown to leave the switching field a reserve of 1, and within its limit, all along";
  return {};
}

std::optional<SwitchChoice> choose_swept_field(const Design& design, const State& before, int lock,
                                               std::span<const SweepCorners> sweeps) {
  std::vector<LockPoses> also;
  for (const SweepCorners& corners : sweeps)
    for (const State& state : corners) also.push_back(lock_poses_E(design, state));
  return choose_field(design, before, lock, also);
}

}  // namespace withy
