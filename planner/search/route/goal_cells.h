// SPDX-License-Identifier: GPL-3.0-or-later
// Where ways to one target end: the cells that may hold the goal, found leaf by leaf.
//
// Leaves with k engaged locks make level k. A way that ends in level k pays for k releases, so a level is
// opened only when nothing cheaper waits. Invariant: until it was cut short, every cell of an open level that
// may hold the goal is queued, or was, or is blocked.
#pragma once

#include "planner/search/problem.h"
#include "planner/search/route/cell_queue.h"
#include "planner/search/route/route_search_settings.h"
#include "planner/search/route/search_work.h"

namespace withy {

class GoalCells {
 public:
  /// All must outlive it, but `goal`.
  GoalCells(const Goal& goal, const RouteSearchSettings& settings, CellStore& store, CellQueue& queue,
            SearchWork& work)
      : goal_(goal), settings_(settings), store_(store), queue_(queue), work_(work) {}

  /// Opens the levels that are due; false when the search has to stop.
  bool open_due_levels();

  /// Queues the parts of a cell that may hold the goal, cut to coarse_travel_mm by the tip alone.
  void seek(const CellRef& ref);

  /// Does a cell that may hold the goal surely do so, or is it too small to ask?
  bool counts_as_goal(const CellRef& ref);

  /// Splits a cell across the coordinate that moves the tip most.
  void split_by_tip(const CellRef& ref);

  /// Stopped while goals were sought: some may be missing, so nothing can be proved.
  bool cut_short() const { return cut_short_; }

 private:
  void seed(const CellRef& ref);

  Goal goal_;
  const RouteSearchSettings& settings_;
  CellStore& store_;
  CellQueue& queue_;
  SearchWork& work_;
  int levels_open_ = 0;
  bool cut_short_ = false;
};

}  // namespace withy
