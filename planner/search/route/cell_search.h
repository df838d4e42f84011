// SPDX-License-Identifier: GPL-3.0-or-later
// A* over the cells of a store, from one target's cells back to a cell from which the start is known to reach
// on.
//
// Ways lead through free and mixed cells, leaf to leaf by links (links.h). Where a way does not do, its
// owner cuts cells of it; mend() then forgets what was reached through them, and reaches it again from what
// still stands (after S. Koenig, M. Likhachev and D. Furcy, "Lifelong Planning A*", Artificial Intelligence
// 155, 2004, but for the costs, which may stay too high where a shorter way opens).
//
// Invariants, but between a cut and the next mend():
//   * the `next` of a reached cell is a reached cell, in the same leaf or behind one switch; following it
//     ends in a cell that may hold the goal;
//   * when run() says `exhausted`, every state from which the target can be reached lies in a reached cell.
#pragma once

#include <functional>
#include <vector>

#include "planner/search/cells/field_gate.h"
#include "planner/search/route/cell_queue.h"
#include "planner/search/route/goal_cells.h"

namespace withy {

class CellSearch {
 public:
  enum class Outcome : unsigned char {
    arrived,    ///< at a cell from which the start is known to reach on: way()
    exhausted,  ///< no more cells are to be reached
    stopped
  };

  /// All must outlive it, but `goal`.
  CellSearch(const Goal& goal, const RouteSearchSettings& settings, CellStore& store, FieldGate& gate,
             SearchWork& work);

  /// With what is known of the cells now, from where it stood.
  Outcome run();

  /// Cells from the one that was arrived at to a goal cell. Precondition: run() arrived.
  std::vector<CellRef> way() const;

  /// Cuts a cell of a way: until its parts are about half as wide in every way, or in insertion alone where
  /// that is known to tell.
  void refine(const CellRef& ref);
  /// The same, across one coordinate; a cell that was cut by now stands for its parts.
  void cut(const CellRef& ref, int coordinate);
  /// A cell of a way that can't be cut any more is left for the last.
  void give_up(const CellRef& ref);
  /// After cells of a way were cut or given up.
  void mend();

  const CellLabels& labels() const { return queue_.labels(); }
  /// Stopped in such a way that it can't go on: some goal cells or some links are missing.
  bool cut_short() const { return goals_.cut_short() || links_cut_short_; }

 private:
  bool start_is_reached() const;
  bool settle_goal(const CellRef& ref);
  void sharpen_goal(const CellRef& ref);
  void expand(const CellRef& ref);
  void each_link(const CellRef& ref, const std::function<void(const SwitchLink&)>& take);
  void reach(const CellRef& from, int leaf, const Box& query, int lock, bool engages);
  void relax(const CellRef& from, const CellRef& to, int lock, bool engages);
  std::vector<CellRef> lost_cells();
  bool way_stands(CellRef ref);
  void reopen_around(const CellRef& ref);
  void reopen_meeting(int leaf, const Box& query);

  const RouteSearchSettings& settings_;
  CellStore& store_;
  FieldGate& gate_;
  SearchWork& work_;
  CellQueue queue_;
  GoalCells goals_;
  std::vector<CellRef> changed_;  // cut or given up since ways were mended last
  CellRef arrived_;
  bool links_cut_short_ = false;
};

/// May a way from the start be led on from this cell? The start is in it, or it is marked with a state that
/// is known to be reached, and it is not one that nothing could be threaded through: 0 for the start, else
/// the mark; -1 for neither.
int entrance_of(const CellStore& store, const CellRef& ref);

}  // namespace withy
