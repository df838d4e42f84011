// SPDX-License-Identifier: GPL-3.0-or-later
// Plans by brute force: every notch of one lock, and a fine grid of insertion and bend about the target.
#pragma once

#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/stand/standing.h"

namespace withy::bench {

struct BruteSettings {
  int bends = 24;    ///< grid across the curvature disk, each way
  int depths = 5;    ///< insertions within the tolerance, for each bend
  int draws = 1000;  ///< benches that plans are compared by
};

struct BruteResult {
  long states = 0;  ///< of the grid whose tip is within the tolerance
  long plans = 0;   ///< of them with a verified way
  int fewest = -1;  ///< benches on which the best of these plans fails, of BruteSettings::draws; -1: none
};

/// All leaves with at most one engaged lock. Each state whose tip is within the target's tolerance is drawn
/// back to the start (RouteSearch::way_out); the way there is made a plan, and judged by `stander`.
BruteResult search_by_brute_force(const SearchProblem& problem, const Stander& stander,
                                  const BruteSettings& settings);

}  // namespace withy::bench
