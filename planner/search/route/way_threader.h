// SPDX-License-Identifier: GPL-3.0-or-later
// From a way of cells to a verified route, or to what of the way gave none.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/route/cell_labels.h"
#include "planner/search/route/known_states.h"
#include "planner/search/route/thread.h"

namespace withy {

/// A verified route whose first steps lead to a state that was known before.
struct FoundRoute {
  Route route;
  int from = 0;                 ///< that state (known_states.h)
  std::size_t steps_known = 0;  ///< how many steps lead there
};

/// What became of a way: a route, or the first threading that failed, its route led in from the start. Where
/// the effort was cut short, what failed may not have been checked.
struct ThreadedWay {
  std::optional<FoundRoute> found;
  Threading failed;
};

/// Holds no state of its own. All must outlive it; the judge is of the store's problem.
class WayThreader {
 public:
  WayThreader(CellStore& store, const KnownStates& known, const StepJudge& judge);

  /// `way`: cells from one that a route may be led on from (entrance_of) to a goal cell, linked as their
  /// labels say.
  ThreadedWay thread(const Goal& goal, const std::vector<CellRef>& way, const CellLabels& labels,
                     const Effort& effort) const;

  /// One motion from the start to a goal state without a switch.
  std::optional<Route> straight(const Goal& goal, const Effort& effort) const;

  /// The nearest state to the target of a way that failed, as far as it was proved, and what stopped it;
  /// nothing where that is not nearer than `best_mm`.
  std::optional<Approach> approach_nearer_than(double best_mm, const Goal& goal,
                                               const Threading& failed) const;

 private:
  std::vector<ChainCell> chain_of(const std::vector<CellRef>& way, const CellLabels& labels) const;
  Threading thread_from(int known, const Goal& goal, const std::vector<ChainCell>& chain, Passage passage,
                        const Effort& effort) const;

  const CellStore& store_;
  const KnownStates& known_;
  const StepJudge& judge_;
  BodyMargin margin_;
};

}  // namespace withy
