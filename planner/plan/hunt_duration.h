// SPDX-License-Identifier: GPL-3.0-or-later
// How long the sweep of a lock action takes.
#pragma once

#include "planner/scene/scene.h"
#include "planner/segment/state.h"

namespace withy {

/// Seconds from the first corner of the sweep to the last, the slowest tendon of each chord at its rate; the
/// field's settling before and after it left out. Precondition: the design has tendons, and lock_hunt_track
/// has a track for engaging `lock` in `before`.
double hunt_duration_s(const Actuation& actuation, const Design& design, const State& before, int lock);

}  // namespace withy
