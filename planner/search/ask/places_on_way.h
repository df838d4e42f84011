// SPDX-License-Identifier: GPL-3.0-or-later
// Where states, routes and motions pass a question's places to pass, for whoever makes ways by them. Whether
// a plan passes them is said by plan_check.h.
//
// Places are passed in their order, each where the tip of a state is at it; one state may pass several.
#pragma once

#include <cstddef>
#include <optional>

#include "planner/search/problem.h"
#include "planner/search/route/route.h"

namespace withy {

/// Where the places before `next` have been passed: the first that is not, once the tip has been where this
/// state has it.
std::size_t pass_places(const SearchProblem& problem, std::size_t next, const State& state);

/// The same after all states of a route, the start among them.
std::size_t pass_places(const SearchProblem& problem, std::size_t next, const Route& route);

/// The share of a motion at which its tip is first at the place, of shares::kViaLooksPerMotion looks at what
/// follows `share`; nothing where it is at none of them.
std::optional<double> first_at(const SearchProblem& problem, std::size_t place, const State& from,
                               const State& to, double share = 0.0);

}  // namespace withy
