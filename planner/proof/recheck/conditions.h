// SPDX-License-Identifier: GPL-3.0-or-later
// The conditions of check_proof.h, one function each. They share what follows.
#pragma once

#include "planner/proof/recheck/check_proof.h"

namespace withy::recheck {

/// A target in the entry frame. Its numbers were rounded on the way there, so it is taken a little larger.
struct GoalRegion {
  Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
  std::optional<Eigen::Vector3d> direction_E;
  double direction_tolerance_rad = 0.0;
};

/// What every condition is checked with; constant, apart from what is gathered.
struct Inquiry {
  const Robot& robot;
  const Lattice& lattice;
  const Leaves& leaves;
  const Blocked& blocked;
  const FieldLimits* field;  ///< nullptr: the proof does not use it
  const std::vector<GoalRegion>& goals;
  /// The coordinate of every bend that the tendons hold at 0: 0 (x), 1 (y); -1: none.
  int pinned = -1;
  bool counts_switches = false;
  const CheckSettings& settings;
  Gathered& gathered;

  bool over() const { return gathered.over() || settings.stop(); }
};

/// Boxes that move no station by more than this from their middle (mm) are not cut any more.
inline constexpr double kFinest_mm = 0.002;

/// From a point of `within` to one that scores more, as far as a compass search gets (R. Hooke and T. A.
/// Jeeves,
/// "'Direct search' solution of numerical and statistical problems", J. ACM 8, 1961). It proves nothing: what
/// is not blocked is shown to be legal by a state, and this is where such a state is looked for.
Cell climbed(Cell point, const Cell& within, const std::function<double(const Cell&)>& score);

void check_goals(const Inquiry& inquiry);
void check_rims(const Inquiry& inquiry);
void check_switches(const Inquiry& inquiry);
void check_start(const Inquiry& inquiry);

/// Does a certificate of cubes hold? `goal`: its target.
ProofReport check_passage(const Certificate& certificate, const Robot& robot, const Wall& wall,
                          const GoalRegion& goal, const CheckSettings& settings);

/// The leaf coordinate that coordinate k of a box of states is cut by; -1 where the leaf has none.
int leaf_coordinate(const Leaf& leaf, int k);

/// All states of a leaf: d in its range, u in the square about the curvature disk, continuous frozen bends
/// within what the curvature limit allows of the region's whole length; pinned coordinates at 0.
Cell whole_of(const Inquiry& inquiry, const Leaf& leaf);

}  // namespace withy::recheck
