// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of a question that the search did not decide: how far it got, and what might decide it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/search/route/route_search.h"

namespace withy {

/// What was proved and what is open, the nearest approach, as a sentence without its full stop.
std::string undecided_sentence(const SearchProblem& problem, const Effort& effort, const Coverage& coverage,
                               const std::optional<Approach>& approach);

/// What might decide it, a sentence without its full stop each; the likeliest first.
std::vector<std::string> what_would_decide(const SearchProblem& problem, const Effort& effort,
                                           const RouteSearch& search, double seconds);

}  // namespace withy
