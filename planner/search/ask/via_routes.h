// SPDX-License-Identifier: GPL-3.0-or-later
// Routes that pass given places on the way to the target.
//
// What a way in is made of can be undone, so all states that come from the start can be got to from one
// another: a plan that passes the places exists just where each of them, and the target, can be reached. A
// route to the target that passes them by itself, in their order, is cut where it does; else each is gone to
// in turn, from a state on the way so far. Where one can't be reached, that is the proof.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "planner/search/problem.h"
#include "planner/search/route/route_search.h"

namespace withy {

struct ViaRoute {
  SearchOutcome outcome = SearchOutcome::stopped;
  std::size_t place = 0;  ///< the one that decided it: index of a via; as many as there are: the target
  Route route;            ///< after `found`
  std::vector<int>
      via_states;  ///< after `found`: of each place, which of the route's states is there, 0 the start
};

/// The whole question: the target, by all places if there are any. `search` is of `problem`.
ViaRoute route_by_vias(const SearchProblem& problem, RouteSearch& search);

/// What decides at a place, counted as ViaRoute::place is.
const Goal& goal_at(const SearchProblem& problem, std::size_t place);

/// The question about one place alone, on the way or the target.
SearchProblem about_place(const SearchProblem& problem, std::size_t place);

/// "the target", "place 2 of those to pass".
std::string place_words(const SearchProblem& problem, std::size_t place);

}  // namespace withy
