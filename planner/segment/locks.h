// SPDX-License-Identifier: GPL-3.0-or-later
// What engaged locks carry, and how far their play lets the tip move.
//
// Load: the tendons are set for the free region's need, M = sum_k T_k r_t e_k = EI u_free. A frozen region of
// curvature u_frozen rests at EI u_frozen; its lock carries the difference to what the tendons make there.
// With friction each tendon may pull there by any tension between exp(-mu Lambda) and exp(+mu Lambda) times
// its own at the tip, whichever way it slides, drawn or let out (friction_load.h); the load is that of the
// worst of them. Without friction it is EI |u_free - u_frozen|. Limit: the hold moment. It holds in every
// state, so also in the one in which a lock opens: there both curvatures are equal and friction's share alone
// is left.
//
// Play: a latched backbone may still move by the backlash b, so each frozen bending angle vector is known
// only to b / r_b in any direction. To first order the tip may then be off by sum over frozen regions of (b /
// r_b) ||d tip / d Theta||, the spectral norm taken because directions are unknown and independent.
#pragma once

#include <vector>

#include "planner/segment/design.h"
#include "planner/segment/state.h"
#include "planner/segment/tendons.h"

namespace withy {

/// Moment (N mm) each lock carries at friction's worst: that of the frozen region which ends at it; 0 for a
/// released lock. Infinite where the frozen curvature is. Where no tensions make the free region's moment,
/// the load is that without friction. `regions` as regions_of gives them; `statics` is of the design's
/// tendons.
std::vector<double> lock_moments(const Design& design, const TendonStatics& statics,
                                 const std::vector<Region>& regions);

/// How far the tip may be from where the frozen angles say, at most, to first order (mm). 0 without a latch
/// or a frozen region, and for frozen regions that are wholly inside the guide.
double backlash_tip_shift_mm(const Design& design, const State& state);

}  // namespace withy
