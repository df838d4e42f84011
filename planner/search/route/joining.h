// SPDX-License-Identifier: GPL-3.0-or-later
// How two states are joined by motions and at most one switch of a lock.
#pragma once

#include <optional>
#include <vector>

#include "planner/search/route/route.h"

namespace withy {

/// The state of `engaged`'s leaf at insertion d in which `lock` can be released: both sides of it have one
/// curvature. Nothing where that takes more than to bend the free region.
std::optional<State> switch_state(const Design& design, const State& engaged, int lock, double d);

/// Steps that join two states, the last one's `to` being `to`; nothing when their leaves differ by more than
/// one lock or no state lets that lock switch. It switches at the shallower of the two insertions if it can
/// there, else at the deeper.
std::optional<std::vector<RouteStep>> joining_steps(const Design& design, const State& from, const State& to);

/// Proved: each motion and each switch of the steps is allowed.
bool steps_allowed(const StepJudge& judge, const State& from, const std::vector<RouteStep>& steps);

}  // namespace withy
