// SPDX-License-Identifier: GPL-3.0-or-later
// Where a question that was proved to have no plan comes to a stop: the last allowed state on a route that
// would reach the target if a limit were relaxed, or else the end of a plan to a target with more tolerance.
#pragma once

#include <functional>
#include <optional>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/route/route.h"

namespace withy {

/// Follows a route of a relaxed question, made for the same locks, as far as `judge` allows. The state it
/// returns is the nearest to the target on it; `blocked_by` is what forbids to go on. Nothing when all
/// of it is allowed.
std::optional<Approach> approach_along(const StepJudge& judge, const Route& route,
                                       const Effort& effort = Effort());

/// Is `a` nearer to the target than `b`, by this many times? How far off a tip is counts in times the
/// target's tolerances, the larger of place and direction; a cone under 5 degrees counts as 5.
bool nearer_than(const SearchProblem& problem, const Approach& a, double times, const Approach& b);

/// Of the ends of plans to wider targets, the nearest that counts (nearest_state.h). Both tolerances are
/// doubled until such a target is reached, up to kApproachWidest times; then less is tried as long as that is
/// reached. First without any switch, then with all. Each look has the effort's work (RouteSearch::work).
std::optional<Approach> approach_with_tolerance(const SearchProblem& problem, const Effort& effort);

}  // namespace withy
