// SPDX-License-Identifier: GPL-3.0-or-later
// A question whose plan is to hold for the ideal segment and for the elastic body.
//
// The search knows the ideal segment. So: plan, follow the plan with the elastic body and compensated pulls,
// learn from what is not kept (lessons.h), plan again: first by the route at hand, its last state aimed
// anew, then by a search.
// It ends with the first plan that holds both ways, with nothing left to learn, with a search that finds no
// other plan, after shares::kHeedPlans, or with its share of the effort (shares::kHeedLooksWork for all
// looks, kHeedSearchWork for each search). Where no plan holds both ways the first stands, and says what
// fails, or that it was not looked at to the end. What was learnt never proves anything: an answer without a
// plan is that of the question as it was asked. What the plan stands then counts the elastic body's slides at
// the locks (planner/stand/standing.h), with the pulls that the scripts carry.
#pragma once

#include <optional>
#include <string>

#include "planner/search/ask/solve.h"
#include "planner/tolerance/elastic_slides.h"

namespace withy {

/// As solve(problem, settings), heeding the elastic body where the design has [elastic] and [tendons]; the
/// answer's `elastic` then says how its plan fares, and `why` ends with that. `ideal_asked`: scripts carry
/// the ideal segment's pulls also where compensated ones hold.
Answer solve_heeding_elasticity(const SearchProblem& problem, const SolveSettings& settings,
                                bool ideal_asked = false);

/// The elastic body's slides at the locks with one kind of pulls; nothing where it was not followed to each.
std::optional<ElasticSlides> slides_of(const ElasticVerdict& verdict, SlidesOf pulls);

/// The locks that the elastic body does not engage with the ideal pulls, on a notch, as half a sentence
/// ("does not engage .."); empty where it engages all.
std::string not_engaged_with_ideal_pulls(const Design& design, const ElasticVerdict& verdict);

/// One line for each lock that engages: how far off its notches the elastic body is; empty without such.
std::string engagement_lines(const ElasticVerdict& verdict);

}  // namespace withy
