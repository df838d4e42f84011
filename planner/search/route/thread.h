// SPDX-License-Identifier: GPL-3.0-or-later
// From a chain of cells to a route: one state in each passage between two cells, exact switches, proved
// motions.
#pragma once

#include <vector>

#include "planner/effort/effort.h"
#include "planner/proof/lemmas/links.h"
#include "planner/search/cells/cell_tree.h"
#include "planner/search/cells/goal_descent.h"
#include "planner/search/route/route.h"

namespace withy {

/// One cell of a chain from the start to the target.
struct ChainCell {
  const Leaf* leaf = nullptr;
  Box box;
  bool free = false;  ///< proved: any passage through it will do (its motions are verified all the same)
  int lock = -1;      ///< the lock that switches between this cell and the next; -1: both are in one leaf
  bool engages = false;
};

struct Threading {
  Route route;              ///< whole when `failed` is empty
  std::vector<int> failed;  ///< cells of the chain that gave no allowed motion or switch
  /// A frozen bend does not change while its lock is engaged. Where the cells of a stay in a leaf leave no
  /// bend for all of them, those that say least about it, and by which coordinate.
  struct Wide {
    int cell;
    int coordinate;
  };
  std::vector<Wide> wide;
  std::size_t proved_steps = 0;  ///< how many of the route's first steps are allowed for sure
};

/// A descent to a goal state within a box of leaf coordinates and the curvature disk. Both must outlive it.
GoalDescent goal_descent_in(const Design& design, const Box& box);

/// About how far the body of a state is from the wall (mm), for choosing between states; no proof.
using BodyMargin = std::function<double(const State&)>;

/// Where a passage between two cells is taken when they are not both proved free: where the body has most
/// room
enum class Passage {
  within,  ///< in what the cells share
  beside   ///< at the same insertion, also beside the cells: for a lumen that leaves little choice
};

/// Threads the chain. The first cell holds `from`, the last may hold the goal. Where the effort is cut short
/// the cell that was its turn is called failed, whatever may be true of it.
Threading thread_chain(const Goal& goal, const BendChart& chart, const StepJudge& judge,
                       const BodyMargin& margin, const std::vector<ChainCell>& chain,
                       Passage passage = Passage::within, const State& from = start_state(),
                       const Effort& effort = Effort());

}  // namespace withy
