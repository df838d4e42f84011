// SPDX-License-Identifier: GPL-3.0-or-later
// All leaves that a search has met, each cut into cells, with what is proved of every cell.
//
// Nothing here depends on a target: one store serves many. Invariants:
//   * a leaf has one index, from its first use on; leaf 0 is the one without engaged locks;
//   * a leaf that no state can be in is blocked as a whole from the start;
//   * a cell's travel is set as soon as its status is known or its parent was split;
//   * a marked state marks, of the cells that hold it, those that were unsplit and not blocked when it was
//     marked, and their parts that hold it; the first mark of a cell stays.
#pragma once

#include <array>
#include <compare>
#include <deque>
#include <map>
#include <vector>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/cells/cell_probe.h"
#include "planner/search/cells/cell_tree.h"
#include "planner/search/problem.h"

namespace withy {

/// A cell by its leaf and its place in the leaf's tree. None where `leaf` is negative.
struct CellRef {
  int leaf = -1;
  int cell = -1;
  auto operator<=>(const CellRef&) const = default;
};

class CellStore {
 public:
  /// The problem must outlive it; its goal is not asked for. Insertion alone is no more cut in cells that are
  /// not longer than `finest_travel_mm` along it.
  CellStore(const SearchProblem& problem, double finest_travel_mm);
  CellStore(const CellStore&) = delete;
  CellStore& operator=(const CellStore&) = delete;

  const SearchProblem& problem() const { return problem_; }
  const BendChart& chart() const { return chart_; }
  CellProbe& probe() { return probe_; }
  const CellProbe& probe() const { return probe_; }

  int leaf_count() const { return static_cast<int>(leaves_.size()); }
  /// The leaf's index; a new one where it was not met before.
  int index_of(const Leaf& leaf);
  /// The same, but -1 where it was not met before.
  int find(const Leaf& leaf) const;
  /// The leaf that the problem's start lies in.
  int start_leaf() const { return start_leaf_; }
  bool holds_start(const CellRef& ref) const;
  /// References stay good.
  const Leaf& leaf(int index) const { return record(index).leaf; }
  const CellTree& tree(int index) const { return record(index).tree; }

  const Leaf& leaf(const CellRef& ref) const { return leaf(ref.leaf); }
  Box box(const CellRef& ref) const { return tree(ref.leaf).box(ref.cell); }
  /// As far as it is known.
  CellStatus status(const CellRef& ref) const { return tree(ref.leaf).status(ref.cell); }
  bool is_split(const CellRef& ref) const { return tree(ref.leaf).is_split(ref.cell); }
  /// Precondition: the cell is split.
  std::array<CellRef, 2> parts(const CellRef& ref) const;
  /// See CellTree::travel.
  double travel_mm(const CellRef& ref) const { return tree(ref.leaf).travel(ref.cell); }

  /// The cell's status, found out if need be.
  CellStatus look(const CellRef& ref);
  /// Splits an unsplit cell: where it tells most, or across one coordinate.
  void split(const CellRef& ref);
  void split(const CellRef& ref, int coordinate);
  /// No state of the cell can be reached from the start.
  void block(const CellRef& ref) { record(ref.leaf).tree.set_status(ref.cell, CellStatus::blocked); }
  /// The same of an unsplit cell, by a proof that is more than the cell's own: no state in it comes from the
  /// start, though the body may be able to be there.
  void bury(const CellRef& ref);
  bool is_buried(const CellRef& ref) const;
  /// The cell can't be split any more, and nothing could be threaded through it.
  void set_stuck(const CellRef& ref) { record(ref.leaf).tree.set_stuck(ref.cell); }
  bool is_stuck(const CellRef& ref) const { return tree(ref.leaf).stuck(ref.cell); }

  /// Marks the cells that hold `state`; the mark, counted from 1.
  int mark(const State& state);
  /// The mark of a cell; 0: none.
  int mark_of(const CellRef& ref) const;

 private:
  struct Record {
    Leaf leaf;
    CellTree tree;
    std::vector<int> marks;    // by cell, as far as there are any
    std::vector<bool> buried;  // by cell, as far as there are any
  };
  using Point = std::array<double, kMaxDimensions>;

  Record& record(int index) { return leaves_[static_cast<std::size_t>(index)]; }
  const Record& record(int index) const { return leaves_[static_cast<std::size_t>(index)]; }
  CellTravel travel(const CellRef& ref);
  void mark_if_inside(int mark, const CellRef& ref);

  const SearchProblem& problem_;
  double finest_travel_mm_;
  BendChart chart_;
  CellProbe probe_;
  std::deque<Record> leaves_;
  std::map<LeafKey, int> index_of_key_;
  int start_leaf_ = 0;
  Point start_{};              // its leaf coordinates
  std::vector<Point> marked_;  // leaf coordinates by mark, less 1
};

}  // namespace withy
