// SPDX-License-Identifier: GPL-3.0-or-later
// What can be proved of all states in a cell at once: all legal, none legal, or not yet known.
//
// The wall's part is in cell_body.h. Curvature limits and the hardware's limits are judged on the box by
// interval bounds.
#pragma once

#include <optional>

#include "planner/search/cells/cell_body.h"
#include "planner/search/cells/cell_tree.h"
#include "planner/search/cells/leaf_tip.h"
#include "planner/search/problem.h"
#include "planner/segment/hardware.h"

namespace withy {

/// Half-widths of a cell as motions of the tip, mm: one for each coordinate. Of a cell that slides
/// (CellLook), insertion counts by how far it moves the tip aside.
struct CellTravel {
  std::array<double, kMaxDimensions> by_coordinate{};
  double total = 0.0;  ///< bound of the tip's motion from the centre to anywhere in the cell, or more
  int widest = 0;      ///< the coordinate that moves the tip most
};

/// Answers for one problem, which must outlive it. Keeps scratch: one per thread.
class CellProbe {
 public:
  CellProbe(const SearchProblem& problem, const BendChart& chart);

  CellTravel travel(const Leaf& leaf, const Box& cell, bool slides = false);

  CellLook check(const Leaf& leaf, const Box& box);

  /// Least margin of the body's stations in one state (mm).
  double body_margin(const State& state) { return body_.margin(state); }

  /// Might some state of the box hold the goal?
  bool may_hold_goal(const Goal& goal, const Leaf& leaf, const Box& cell);

  /// The box as the hardware's checks want it.
  StateBox state_box(const Leaf& leaf, const Box& box) const;

  const Hardware& hardware() const { return hardware_; }
  const BendChart& chart() const { return chart_; }
  const SearchProblem& problem() const { return problem_; }
  std::int64_t checks() const { return checks_; }

 private:
  bool may_hold_goal_rigidly(const Goal& goal, const Leaf& leaf, const Box& box);
  CellStatus check_curvature(const Leaf& leaf, const Box& box) const;
  CellStatus check_hardware(const Leaf& leaf, const Box& box) const;

  const SearchProblem& problem_;
  const BendChart& chart_;
  Hardware hardware_;
  CellBody body_;
  std::optional<LeafTip> tip_;  // of the leaf that was asked about last
  std::int64_t checks_ = 0;
};

}  // namespace withy
