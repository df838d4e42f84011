// SPDX-License-Identifier: GPL-3.0-or-later
// The five kinds of action: what each moves, when it is allowed, what it leaves behind.
#pragma once

#include <string_view>

#include <Eigen/Core>

#include "planner/segment/state.h"

namespace withy {

enum class ActionKind { advance, bend, steer, lock, unlock };

/// "advance", "bend", "steer", "lock", "unlock".
std::string_view name_of(ActionKind kind);

/// The state after engaging released lock `lock` in `state`: the region that holds it is split, each part
/// keeps the region's curvature. Precondition: the lock is released.
State after_lock(const Design& design, const State& state, int lock);

/// The state after releasing engaged lock `lock`: the two regions it parts are joined. Precondition: the lock
/// is engaged.
State after_unlock(const Design& design, const State& state, int lock);

/// Largest difference (1/mm) that still counts as equal curvature on both sides of a lock: below what moves
/// the tip of a metre of segment by a hundredth of a millimetre.
inline constexpr double kEqualCurvature_per_mm = 1e-8;

/// Is the curvature on both sides of engaged lock `lock` equal? A region wholly inside the guide has
/// curvature 0.
bool unlock_keeps_shape(const Design& design, const State& state, int lock);

/// Does every region keep |u| <= kappa_max, and the insertion its range?
bool within_limits(const Design& design, const State& state);

/// The state at fraction t in [0, 1] of a motion: insertion and free curvature linear, locks and frozen bends
/// as in `from`.
State interpolate(const State& from, const State& to, double t);

}  // namespace withy
