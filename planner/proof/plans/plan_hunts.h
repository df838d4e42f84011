// SPDX-License-Identifier: GPL-3.0-or-later
// The hunt of a lock action (README.md, "Hunting for a notch"): does its sweep find the notch wherever the
// slides are within its radius, and is it a motion like any other?
//
// Written as slides at the lock, the planned bend is 0 and a bend dTheta off it the point w = r_b dTheta. A
// backbone is within its window wherever the track is within one window of w. A spiral r = h phi / (2 pi N)
// of N turns, with one more along the rim, has every w with |w| <= h within h / (2 N) of it; walked on chords
// over the angle delta it is off by at most delta^2 / 8 times sqrt(h^2 + 4 (h / 2 pi N)^2). The sum has to be
// within the window, and turns at most sqrt 2 windows apart. With f_p the exposed flexible length before the
// lock in the free region and f all of it, the corner w stands at u = u_0 + w / (r_b f_p) while the lock is
// open, and at u_0 + w f / (r_b f_p (f - f_p)) once it has dropped in.
#pragma once

#include "planner/proof/plans/plan_motions.h"

namespace withy::recheck {

/// Looks at the action's hunt and adds what it sweeps to `sweeps`. Nothing is added where none is made.
Finding hunt_holds(const PlanInHand& hand, const FileAction& action, std::vector<Step>& sweeps);

}  // namespace withy::recheck
