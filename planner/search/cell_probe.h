// SPDX-License-Identifier: GPL-3.0-or-later
// What can be proved of all states in a cell at once: all legal, none legal, or not yet known.
//
// A cell is a box of leaf coordinates. The body is placed at the cell's centre; within the cell a body point
// at station s moves by at most
//     m(s) = insertion_lever(s) h_d + curvature_lever(s) |h_u| + sum over frozen regions (s - start) |h_t|
// (motion_bounds.h; a frozen bend that changes by |h_t| turns what is distal of its region's start by as
// much). So
//   free:    at every station D - m(s) >= R + c, with c the required clearance plus what the body between two
//   stations may
//            lose: stations a apart on the centreline, the chord between them keeps d^2 >= min(d_1^2, d_2^2)
//            - a^2/4 (verify.h), and the arc stays within kappa a^2 / 8 of the chord; hence D - m >= sqrt((R
//            + c + kappa a^2/8)^2 + a^2/4).
//   blocked: at some station that stays past the entry plane, D + m(s) < R + c.
// Stations that can't come past the entry plane don't matter. Curvature limits and the hardware's limits are
// judged on the box by interval bounds.
#pragma once

#include <vector>

#include "planner/search/cell_tree.h"
#include "planner/search/problem.h"
#include "planner/segment/hardware.h"

namespace withy {

/// Half-widths of a cell as motions of the tip, mm: one for each coordinate.
struct CellTravel {
  std::array<double, kMaxDimensions> by_coordinate{};
  double total = 0.0;  ///< bound of the tip's motion from the centre to anywhere in the cell, or more
  int widest = 0;      ///< the coordinate that moves the tip most
};

/// Answers for one problem, which must outlive it. Keeps scratch: one per thread.
class CellProbe {
 public:
  CellProbe(const SearchProblem& problem, const BendChart& chart);

  CellTravel travel(const Leaf& leaf, const Box& box) const;

  CellStatus check(const Leaf& leaf, const Box& box);

  /// Might some state of the box hold the goal?
  bool may_hold_goal(const Leaf& leaf, const Box& box) const;

  /// The box as the hardware's checks want it.
  StateBox state_box(const Leaf& leaf, const Box& box) const;

  const Hardware& hardware() const { return hardware_; }
  const BendChart& chart() const { return chart_; }
  const SearchProblem& problem() const { return problem_; }
  std::int64_t checks() const { return checks_; }

 private:
  struct Station {
    double s_mm;
    double need_free;     ///< distance that keeps the body free about here, between stations included
    double need_blocked;  ///< a distance below this is a collision
  };
  struct Suspect {
    Eigen::Vector3d p_E;
    double slack;
    double need;
    double margin;
  };
  CellStatus check_curvature(const Leaf& leaf, const Box& box) const;
  CellStatus check_hardware(const Leaf& leaf, const Box& box) const;
  CellStatus check_shaft(const Box& box) const;
  CellStatus check_body(const Leaf& leaf, const Box& box);
  bool some_suspect_collides();

  const SearchProblem& problem_;
  const BendChart& chart_;
  Hardware hardware_;
  std::vector<Station> stations_;
  std::vector<Suspect> suspects_;
  std::vector<double> shaft_free_;  ///< least distance on the axis from the entry plane to k steps past it
  double shaft_step_mm_ = 0.0;
  std::int64_t checks_ = 0;
};

}  // namespace withy
