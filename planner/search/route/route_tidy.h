// SPDX-License-Identifier: GPL-3.0-or-later
// A route worth running: fewer actions, no zig-zag, switches where the body stands anyway.
#pragma once

#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/route/route.h"

namespace withy {

/// Shortens a route with proved motions only; what comes out is as allowed as what went in. Between two
/// switches way-points are skipped where a straight motion is allowed; a switch is moved to the insertion of
/// a neighbouring state where that saves an action or turns a combined motion into a plain one.
Route tidy(const StepJudge& judge, const Route& route, const Effort& effort = Effort());

/// Moves lock switches outwards where their hunts can't be made, to where they can and the motions about them
/// keep the most clearance, with proved motions only. What no place on the way would do stays as it is, and
/// so does everything with a guide, where the bend to be held depends on the insertion.
Route clear_hunts(const StepJudge& judge, const Route& route, const Effort& effort = Effort());

/// The route with a switch of `lock` farther out, where its hunt can be made, for each place on the way: by
/// the least clearance of that hunt and of the motions about it, the most first. With proved motions only;
/// none with a guide.
std::vector<Route> with_hunt_farther_out(const StepJudge& judge, const Route& route, int lock,
                                         const Effort& effort = Effort());

}  // namespace withy
