// SPDX-License-Identifier: GPL-3.0-or-later
// What lemmas rest on and what they say, as types: what is no premise of a lemma can't be handed to it.
//
//   LowerBound, UpperBound   a number that is proved to be on one side of what it bounds
//   MovedPoint               a body point in every state of a set: nothing is said of it without its reach
//   OneSide                  no passage is within its reach (moved_distance.h)
//   AllowedBox               a box less what the curvature limit rules out (limits_over_box.h)
//   StateRange               states that differ in insertion and free curvature only (motion_bounds.h)
//   LaidLargest, LaidSmallest, LaidCentre   a body whose radii hold over a cell (cell_body.h)
#pragma once

#include <Eigen/Core>

namespace withy {

/// A factor for at most 8 roundings of 2^-53 on numbers of one sign.
inline constexpr double kFewRoundings = 1.0 + 0x1p-50;

/// Not above what it bounds.
struct LowerBound {
  double value = 0.0;
};

/// Not below what it bounds.
struct UpperBound {
  double value = 0.0;
};

/// A point that is within `reach_mm` of `centre_E` in every state of a set (frame E, mm).
struct MovedPoint {
  Eigen::Vector3d centre_E;
  double reach_mm = 0.0;

  /// Past the entry plane in every state.
  bool surely_past_entry() const { return centre_E.z() > reach_mm; }
  /// Past it in some state, for all that is known.
  bool may_be_past_entry() const { return centre_E.z() + reach_mm > 0.0; }
};

}  // namespace withy
