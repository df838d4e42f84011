// SPDX-License-Identifier: GPL-3.0-or-later
// What can be proved of all states in a cell at once: all legal, none legal, or not yet known.
//
// Nothing is derived here: the lemmas are those of planner/proof/lemmas.
#pragma once

#include "planner/proof/lemmas/cell_body.h"
#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/proof/lemmas/tip_over_box.h"
#include "planner/search/cells/cell_tree.h"
#include "planner/search/problem.h"
#include "planner/segment/hardware.h"

namespace withy {

/// Half-widths of a cell as motions of the tip, mm: one for each coordinate. Of a cell that slides
/// (CellLook), insertion counts by how far it moves the tip aside.
struct CellTravel {
  std::array<double, kMaxDimensions> by_coordinate{};
  double total = 0.0;  ///< of all together
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
  StateBox state_box(const Leaf& leaf, const Box& box) const { return withy::state_box(chart_, leaf, box); }

  const Hardware& hardware() const { return hardware_; }
  const BendChart& chart() const { return chart_; }
  const SearchProblem& problem() const { return problem_; }
  std::int64_t checks() const { return checks_; }

 private:
  CellStatus check_hardware(const Leaf& leaf, const Box& box) const;

  const SearchProblem& problem_;
  const BendChart& chart_;
  Hardware hardware_;
  CellBody body_;
  TipOverBox tip_;
  std::int64_t checks_ = 0;
};

}  // namespace withy
