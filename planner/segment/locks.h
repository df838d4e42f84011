// SPDX-License-Identifier: GPL-3.0-or-later
// What engaged locks carry, and how far their play lets the tip move.
//
// Load: the tendons' moment is the same all along the segment, M = sum_k T_k r_t e_k = EI u_free (before
// friction; the tendons are set for the free region's need). A frozen region of curvature u_frozen would rest
// at M; its lock carries the difference |M - EI u_frozen| = EI |u_free - u_frozen|. Limit: the hold moment.
//
// Play: a latched backbone may still move by the backlash b, so each frozen bending angle vector is known
// only to b / r_b in any direction. To first order the tip may then be off by sum over frozen regions of (b /
// r_b) ||d tip / d Theta||, the spectral norm taken because directions are unknown and independent.
#pragma once

#include <vector>

#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// Moment (N mm) each lock carries: that of the frozen region which ends at it; 0 for a released lock.
/// Infinite where the frozen curvature is. `regions` as regions_of gives them.
std::vector<double> lock_moments(const Design& design, const std::vector<Region>& regions);

/// How far the tip may be from where the frozen angles say, at most, to first order (mm). 0 without a latch
/// or a frozen region, and for frozen regions that are wholly inside the guide.
double backlash_tip_shift_mm(const Design& design, const State& state);

}  // namespace withy
