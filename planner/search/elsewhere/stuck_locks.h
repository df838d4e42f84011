// SPDX-License-Identifier: GPL-3.0-or-later
// What if a lock sticks: for every switch of a plan, a verified way out to insertion 0.
//
// A lock that did not engage stays released; one that does not let go stays engaged, its bend frozen as it
// is. Where the plan itself passes the same state later on, and from there on does not switch that lock, the
// rest of the plan is such a way, verified already. Else the body is drawn back with the lock held
// (DirectAttempt::way_out). Not to find a way that way proves nothing: what is said then is how far out the
// verified part leads, and what stops it there; or, where the clock or the look's share of work ended it
// first, that it was not looked at to the end.
#pragma once

#include <vector>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"

namespace withy {

/// One for each switch of the plan, in order.
std::vector<StuckLock> find_ways_past_stuck_locks(const SearchProblem& problem, const Plan& plan,
                                                  const Effort& effort);

}  // namespace withy
