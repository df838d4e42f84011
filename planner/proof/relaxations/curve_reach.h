// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 25 (reach of curves). Whatever the locks hold, the body is a curve of limited curvature that starts
// along the advance axis.
//
//   Statement: a state that keeps the curvature limit k and the insertion's range has its tip
//     (a) at most off(l) beside the axis, off(l) = (1 - cos(k l)) / k for k l <= pi/2, and 1/k + l - pi/(2k)
//     beyond, where l is the
//         length that may bend: L with the free carriage, min(L, d_max) with the guide;
//     (b) at most d_max past the entry plane;
//     (c) turned from the axis by at most k times the flexible length.
//   Premises: none but those limits.
//   Derivation: with the free carriage the curve starts at the base, with the guide at the entry plane (or,
//   where the base is past it, at the base); up to there it runs along the axis. At arc length s from the
//   start the tangent is turned by at most k s, for rigid spans turn it by nothing. The distance from the
//   axis grows by at most sin(turn) ds <= sin(min(k s, pi/2)) ds; integrated, that is off(l), which grows
//   with l. With the guide the exposed part has length d at most, and no more than L of it may bend. (b): the
//   tip of the straight segment stands at d, and a curve of the same length ends no farther along the axis.
//   (c): the turn is the integral of the curvature (scenes/MODEL.md, section 4; for curves in the plane
//   elementary, in space: the tangent's indicatrix on the sphere has the length of the total curvature, e.g.
//   M. P. do Carmo, "Differential Geometry of Curves and Surfaces", 1976, section 5.7). Rounding: a limit may
//   be passed by kCurveRounding of itself.
#pragma once

#include <optional>

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

/// off(l) of (a), mm.
double farthest_off_axis(double curvature_max_per_mm, double length_mm);

/// (a) and (b): how far beside the axis and how far past the entry plane a tip may be (mm), let out for
/// rounding.
struct CurveReach {
  double off_axis_mm = 0.0;
  double deep_mm = 0.0;
};
CurveReach reach_of_curves(const Design& design);

/// Where a tip is to be, frame E.
struct TipWish {
  Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
  std::optional<Eigen::Vector3d> direction_E;  ///< unit vector
  double direction_tolerance_rad = 0.0;
};

/// Proved: no state that keeps the limits has its tip there.
bool beyond_all_curves(const Design& design, const TipWish& wish);

}  // namespace withy
