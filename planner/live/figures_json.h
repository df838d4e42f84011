// SPDX-License-Identifier: GPL-3.0-or-later
// States, and what a state asks of the hardware, as the desk's JSON has them.
//
// A state: {"insertion_mm", "locked": [..], "regions": [{"from_mm", "to_mm", "curvature_per_mm": [x, y]}]},
// as in a plan file. Vectors in the scene frame S.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "planner/live/hand.h"
#include "planner/live/live_scene.h"
#include "planner/search/problem.h"

namespace withy {

nlohmann::ordered_json state_json(const Design& design, const State& state);

/// Everything about one state: where the tip is, the nearest place of the wall, pulls, tensions, lock loads,
/// how each lock could be switched now, each with its limit.
nlohmann::ordered_json figures_json(const LiveScene& scene, const StepJudge& judge, const State& state);

/// The steps of a driven route, one word and one figure each.
nlohmann::ordered_json steps_json(const Design& design, const Route& route);

}  // namespace withy
