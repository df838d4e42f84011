// SPDX-License-Identifier: GPL-3.0-or-later
// Does a script's sweep cover what the latch's hunt is to cover? Used by replay.cpp only.
//
// The track is taken from the pulls alone, as slides w at the lock (hunt.h). Along rays from the centre,
// evenly spread over the turn, the places where it crosses are sorted: none may be farther from the next than
// sqrt(2) windows, the centre counting as the first, and the last must be at the hunt's radius. Between two
// rays nothing is checked; a track that is walked on chords no longer than the rays are apart can't hide
// there.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

#include "planner/script/replay_checks.h"

namespace withy {

/// Slides (mm) at `lock` beyond those in `centre`, of a body that bends as `now` does. Precondition: as
/// lock_hunt_track has a track there.
Eigen::Vector2d slide_of_sweep(const Design& design, const State& centre, int lock, const State& now);

/// What the sweep leaves out; nothing when it covers all.
std::optional<ReplayFinding> check_hunt_covers(const Design& design, const State& centre, int lock,
                                               const std::vector<Eigen::Vector2d>& slide_mm);

}  // namespace withy
