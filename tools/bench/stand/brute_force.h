// SPDX-License-Identifier: GPL-3.0-or-later
// Plans by brute force: every notch of one lock, and a fine grid of insertion and bend of the free part
// wherever the tip is then within the target's tolerance.
//
// For each leaf (the bends that the locks hold) the states are cut into boxes of insertion and bend, halved
// until they are fine. A box is left out where no tip of it can be within the tolerance: over half its sides
// dd and du the tip moves by at most
//     dd + sqrt(2) du f l,
// f the free part's flexible length, l its whole length (the bend at a station turns what lies beyond it);
// with a guide the insertion counts twice, which is about what the shapes there do. What is left at the end
// is the whole fine grid about the target. Where a leaf would take more boxes than that (with a guide and a
// lock most of the design's reach is near the target), its grid is made twice as coarse until it does not:
// the whole of every leaf is looked at, and it is said how coarsely.
//
// Bends frozen inside a guide move nothing, so of leaves that differ in nothing else the straight one counts.
//
// Of each state the benches are counted that miss or break a limit in it, whatever the way. Where the first
// of them fail too often for it to be as good as withy's own plan, the state is left out. From the best on,
// states are drawn back to the start (RouteSearch::way_out), the way made a plan, and the plan judged by the
// same benches. A state whose end alone fails on as many as the best plan is left out.
#pragma once

#include <optional>

#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/stand/standing.h"

namespace withy::bench {

struct BruteSettings {
  double step_mm = 0.5;        ///< how far the tip may move over a side of the finest boxes
  double own_share = 1.0;      ///< of all benches, those that withy's own plan fails on
  int first_draws = 20;        ///< benches that tell whether an end may do as well as that
  int sort_draws = 100;        ///< benches that ends are sorted by
  int draws = 1000;            ///< benches that plans are compared by
  int most_plans = 300;        ///< plans that are made at most
  int reserve_plans = 25;      ///< the reserve is worked out of so many of the best
  long boxes_of_leaf = 50000;  ///< that are looked at on one grid; beyond it a coarser one is
};

struct BruteResult {
  long leaves = 0;   ///< with a state of the grid in the tolerance
  long states = 0;   ///< of the grid, with the tip in the tolerance
  long coarser = 0;  ///< leaves whose grid is coarser than was asked
  double coarsest_mm = 0.0;
  long plans = 0;     ///< of them with a verified way, as far as they were tried
  bool whole = true;  ///< false: most_plans were made, and states were left
  int best_end = -1;  ///< fewest benches of `draws` that fail at an end, whatever the way; -1: no state
  std::optional<Standing> best;    ///< that of the plan which fails on the fewest benches
  std::optional<Standing> surest;  ///< that with the largest reserve, of the best
};

/// All leaves with at most one engaged lock.
BruteResult search_by_brute_force(const SearchProblem& problem, const Stander& stander,
                                  const BruteSettings& settings);

}  // namespace withy::bench
