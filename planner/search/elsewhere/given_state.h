// SPDX-License-Identifier: GPL-3.0-or-later
// From a state that a user gives: is it one that a plan may begin in, and how does it get home?
#pragma once

#include <optional>
#include <string>

#include <tl/expected.hpp>

#include "planner/effort/effort.h"
#include "planner/search/problem.h"
#include "planner/search/route/direct_attempt.h"

namespace withy {

/// The state with its frozen bends exactly on the notches that a file's decimals are next to; or what makes
/// it no state that the problem allows, as half a sentence: a limit, the clearance, a bend between notches.
tl::expected<State, std::string> legal_start(const SearchProblem& problem, const State& given);

/// From `from` back to start_state(): by drawing back, else by a search. Precondition: `from` is legal.
WayOut way_home(const SearchProblem& problem, const State& from, const Effort& effort);

}  // namespace withy
