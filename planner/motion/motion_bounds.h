// SPDX-License-Identifier: GPL-3.0-or-later
// How far, and how crookedly, a body point can move when insertion and curvature do: the constants of every
// proof.
//
// Notation: station s, x0(d) the first exposed station, l the arc length from the start of the moving region
// to the point, kappa a bound of the curvature of the region that the entry plane cuts, b(s) the bending
// angle vector from the region's start to s. The tangent is T = Exp(b), the exponential map of the unit
// sphere at the pole, so |dT| <= |db| (the map does not expand: J. Cheeger and D. G. Ebin, "Comparison
// Theorems in Riemannian Geometry", 1975, Rauch's theorem on the sphere).
//
// First order, free carriage: |dp| <= |dd| + |du| l^2 / 2        (b = u x, so |dT| <= |du| x; integrate over
// x from 0 to l). First order, guide: p = integral of T from x0 to s, and b changes with d only in the region
// cut by the entry plane: free there: b = u x and x grows with d, |db| <= kappa |dd|; frozen there: b = Theta
// x / f and both x and f grow with d, |db| = |Theta| (f - x) / f^2 |dd| <= kappa |dd|. So |dp| <= |dd| (1 +
// kappa l) + |du| l^2 / 2, l counted from the entry plane for the first term (and no further than the end of
// a frozen region, past which b does not change).
#pragma once

#include "planner/segment/state.h"

namespace withy {

/// What bounds the motion of the body's points over a set of states with the same engaged locks.
struct MotionBounds {
  double free_from_mm = 0.0;     ///< station where the free region starts
  double exposed_from_mm = 0.0;  ///< least x0 over the set (0 with the free carriage)
  double turning_to_mm = 0.0;    ///< insertion turns no point distal of this any further
  double kappa_per_mm =
      0.0;  ///< largest curvature of the region that the entry plane cuts; 0 with the free carriage

  /// Lever of the free region at station s: |dp| <= lever |du|.
  double curvature_lever_mm2(double s_mm) const {
    const double l = s_mm - (free_from_mm > exposed_from_mm ? free_from_mm : exposed_from_mm);
    return l > 0.0 ? 0.5 * l * l : 0.0;
  }
  /// |dp| <= lever |dd|.
  double insertion_lever(double s_mm) const {
    const double l = (s_mm < turning_to_mm ? s_mm : turning_to_mm) - exposed_from_mm;
    return l > 0.0 ? 1.0 + kappa_per_mm * l : 1.0;
  }
};

/// Bounds over all states with the locks and frozen bends of `state`, insertion in [d_low, d_high] and
/// |u_free| <= u_bound.
MotionBounds motion_bounds(const Design& design, const State& state, double d_low, double d_high,
                           double u_bound);

}  // namespace withy
