// SPDX-License-Identifier: GPL-3.0-or-later
// One leaf's coordinates cut into boxes: a binary tree, split where the search needs to know more.
#pragma once

#include <cstdint>
#include <vector>

#include "planner/proof/lemmas/cell_status.h"
#include "planner/proof/lemmas/leaf.h"

namespace withy {

/// Cells by index, the root 0. A split cell has two children, each with half of it along one coordinate.
class CellTree {
 public:
  explicit CellTree(const Box& whole);

  int size() const { return static_cast<int>(cells_.size()); }
  bool is_split(int cell) const { return cells_[at(cell)].first_child >= 0; }
  int first_child(int cell) const { return cells_[at(cell)].first_child; }
  CellStatus status(int cell) const { return cells_[at(cell)].status; }
  void set_status(int cell, CellStatus status) { cells_[at(cell)].status = status; }
  /// What the search notes of a cell (CellLook, cell_body.h); children have their parent's `slides`.
  bool slides(int cell) const { return cells_[at(cell)].slides; }
  bool cut_insertion(int cell) const { return cells_[at(cell)].cut_insertion; }
  void set_hints(int cell, bool slides, bool cut_insertion) {
    cells_[at(cell)].slides = slides;
    cells_[at(cell)].cut_insertion = cut_insertion;
  }
  /// Can't be split any more, and nothing could be threaded through it.
  bool stuck(int cell) const { return cells_[at(cell)].stuck; }
  void set_stuck(int cell) { cells_[at(cell)].stuck = true; }
  /// Largest motion of the tip (mm) from the cell's centre to its rim; negative until set.
  double travel(int cell) const { return cells_[at(cell)].travel; }
  void set_travel(int cell, double mm) { cells_[at(cell)].travel = static_cast<float>(mm); }

  Box box(int cell) const;
  /// The middle of coordinate k, as Box::centre has it.
  double centre(int cell, int k) const {
    const double* b = &bounds_[(at(cell) * at(dimensions_) + at(k)) * 2];
    return 0.5 * (b[0] + b[1]);
  }
  void split(int cell, int coordinate);
  /// Do the closed boxes share a point?
  bool meets(int cell, const Box& query) const;

  /// Calls `visit(cell)` for each unsplit, not blocked cell whose closed box meets `query`.
  template <class Visit>
  void for_each_meeting(const Box& query, Visit&& visit) const {
    std::vector<int>& stack = stack_;
    stack.assign(1, 0);
    if (!meets(0, query)) return;
    while (!stack.empty()) {
      // The query meets what is on the stack. Of a split cell's halves it meets those that it reaches along
      // the cut.
      const int cell = stack.back();
      stack.pop_back();
      const Cell& c = cells_[at(cell)];
      if (c.status == CellStatus::blocked) continue;
      if (c.first_child < 0) {
        visit(cell);
        continue;
      }
      const std::size_t k = at(c.cut_coordinate);
      if (query.high[k] >= c.cut_at) stack.push_back(c.first_child + 1);
      if (query.low[k] <= c.cut_at) stack.push_back(c.first_child);
    }
  }

 private:
  struct Cell {
    double cut_at = 0.0;  // where a split cell is parted, along cut_coordinate
    std::int32_t first_child = -1;
    float travel = -1.0F;
    CellStatus status = CellStatus::unknown;
    bool slides = false;
    bool cut_insertion = false;
    bool stuck = false;
    std::int8_t cut_coordinate = 0;
  };
  static std::size_t at(int i) { return static_cast<std::size_t>(i); }

  int dimensions_;
  std::vector<Cell> cells_;
  std::vector<double> bounds_;  // low and high of each coordinate, cell after cell
  mutable std::vector<int> stack_;
};

}  // namespace withy
