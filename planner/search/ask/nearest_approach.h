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

/// Ends of plans to a target with twice, four, eight ... times the tolerance, its direction first the same
/// and then any, until one is found that counts (nearest_state.h); each with the effort's work
/// (RouteSearch::work).
std::optional<Approach> approach_with_tolerance(const SearchProblem& problem, const Effort& effort);

}  // namespace withy
