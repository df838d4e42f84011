// SPDX-License-Identifier: GPL-3.0-or-later
// One lock switch: does the body stand still, does the lock hold a notch, does the field switch it and it
// alone?
#pragma once

#include "planner/proof/plans/plan_states.h"

namespace withy::recheck {

/// The region of the state with the lock released that holds the lock.
std::size_t region_of(const std::vector<int>& engaged, int lock);

Finding switch_holds(const PlanInHand& hand, const FileAction& action);

/// Is the sum of the bends up to region `r` on notches of its lock (from 0)?
Finding is_latchable(const PlanInHand& hand, const StateBox& shut, std::size_t r, int lock);

/// The reserve of a switch with the action's currents in a state; locks count as before the switch.
Interval reserve_in(const PlanInHand& hand, const FileAction& action, const Body& body,
                    const StateBox& state);

/// A reserve may be short of what it has to be by this share of it: what rounding of currents and of a bend
/// on its notch comes to.
inline constexpr double kReserveShare = 1e-5;

}  // namespace withy::recheck
