// SPDX-License-Identifier: GPL-3.0-or-later
// The switching field over the sweeps of a hunt (lock_hunt.h): currents that are on all the while must turn
// the lock, leave the others on their stops, and make no more than the field limit at any lock, in every pose
// that a sweep passes.
//
// Whether given currents do is looked at exactly in every corner of both sweeps, and proved between them: a
// box about a run of corners is asked (currents_serve_box, planner/segment/hardware_bounds.h), where it is
// too wide for an answer its halves are, and in the end the single chords and parts of them. The corners of a
// run span its chords, so its box holds them.
//
// Which currents: those that the planned pose alone asks for (choose_field), where they serve. Where they
// don't, those of least sum of squares, or of the greatest reserve in the planned pose, of all that also
// serve the corners.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "planner/segment/field.h"
#include "planner/segment/state.h"

namespace withy {

/// States at the corners of one sweep, in order.
using SweepCorners = std::vector<State>;

/// What is wrong with `current_A` somewhere on the sweeps, as half a sentence; empty when they are proved to
/// serve in every pose. `engaged`: the stops that the magnets are on before `lock` switches.
std::string swept_field_objection(const Design& design, const LockSet& engaged, int lock,
                                  const Currents& current_A, std::span<const SweepCorners> sweeps);

/// Currents that switch `lock` in `before` and serve at the corners too; nothing where none do within the
/// limits.
std::optional<SwitchChoice> choose_swept_field(const Design& design, const State& before, int lock,
                                               std::span<const SweepCorners> sweeps);

}  // namespace withy
