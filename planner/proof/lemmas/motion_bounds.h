// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 3 (levers). How far a body point moves when insertion and curvature do: the constants of every proof.
//
// Between any two states of a set with the same locks and frozen bends, one of them at least allowed, the
// point at station s moves by at most insertion_lever(s) |dd| + curvature_lever(s) |du|.
//   Premises: insertions within [d_low, d_high], |u_free| <= u_bound (StateRange); the bends of both have
//   some length to be in. Derivation: below. Rounding, counted in the constants and levers themselves: x0 is
//   wrong by less than kLengthRounding_mm and is rounded down by that, and so is the length that a frozen
//   bend's curvature is worked out with; stations and region starts are the design's own numbers. u_bound is
//   a norm of points of a box or of a straight way: 6 roundings. A frozen curvature: a norm and a
//   quotient, 5. A lever: a difference, two products and a sum of numbers of one sign, 4. Each of the three
//   is raised by kFewRoundings, which covers 8. What |dd| and |du| lose, and the products with them, is
//   counted where they are made (cell_reach.h, body_sampler.h).
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
//
// Which kappa, where one of the two states is past the curvature limit. Let q be an allowed state of a cell
// and c its centre, or any other state whose bends are finite; c may break the limit. The levers bound |p_q -
// p_c| with kappa the limit at most. Proof. First keep the bends of q and move the insertion, then bend at
// c's insertion: the second part needs no limit (|dT| <= |db|). For the first let d1 > d0 be the two
// insertions, x1 < x0 their first exposed stations, delta <= d1 - d0 the flexible length between those, f1 =
// f0 + delta the flexible length of the cut region that is out. At a station with flexible length F from x0
//     b1 - b0 = Theta ((F + delta) / f1 - F / f0) = Theta delta (1 - F / f0) / f1,
// so |dT| <= kappa1 delta with kappa1 = |Theta| / f1, the curvature at the deeper of the two: no more than
// that of q, which the limit bounds. Between x1 and x0 body 0 is on the axis and |T - e_z| <= kappa1 F <=
// kappa1 delta. In the free region kappa = |u| of q throughout. Where the plane passes several regions the
// parts add up, and what is inside as a whole has Theta = 0 in q. A frozen region's own curvature at the
// shallower insertion, with the bends of c, will do as well: then bend first (at q's insertion) and keep the
// bends of c. The lesser of the two is right, whichever it is.
#pragma once

#include <algorithm>

#include "planner/proof/lemmas/premises.h"
#include "planner/segment/state.h"

namespace withy {

class AllowedBox;

/// What lemma 3 speaks of: states with the locks and frozen bends of one of them, insertions and the size of
/// the free curvature within bounds.
class StateRange {
 public:
  /// All states of a straight motion (|u| is convex along it). Precondition: the same locks and frozen bends.
  static StateRange of_motion(const State& from, const State& to);
  /// One state.
  static StateRange of(const State& state) { return of_motion(state, state); }
  /// `centre` and, but for their frozen bends, the allowed states of a cell whose centre_state it is.
  static StateRange of_cell(const AllowedBox& cell, const State& centre);

  const State& any() const { return any_; }  ///< one of them
  double d_low_mm() const { return d_low_mm_; }
  double d_high_mm() const { return d_high_mm_; }
  double u_bound_per_mm() const { return u_bound_per_mm_; }

 private:
  StateRange(const State& any, double d_low_mm, double d_high_mm, double u_bound_per_mm)
      : any_(any),
        d_low_mm_(d_low_mm),
        d_high_mm_(d_high_mm),
        u_bound_per_mm_(u_bound_per_mm * kFewRoundings) {}
  State any_;
  double d_low_mm_;
  double d_high_mm_;
  double u_bound_per_mm_;
};

/// What bounds the motion of the body's points over a set of states with the same engaged locks.
struct MotionBounds {
  double free_from_mm = 0.0;     ///< station where the free region starts
  double exposed_from_mm = 0.0;  ///< not above the least x0 over the set (0 with the free carriage)
  double turning_to_mm = 0.0;    ///< insertion turns no point distal of this any further
  double kappa_per_mm =
      0.0;  ///< largest curvature of the region that the entry plane cuts; 0 with the free carriage

  /// Lever of the free region at station s: |dp| <= lever |du|.
  double curvature_lever_mm2(double s_mm) const {
    const double l = s_mm - std::max(free_from_mm, exposed_from_mm);
    return l > 0.0 ? 0.5 * l * l * kFewRoundings : 0.0;
  }
  /// |dp| <= lever |dd|.
  double insertion_lever(double s_mm) const {
    const double l = std::min(s_mm, turning_to_mm) - exposed_from_mm;
    return l > 0.0 && kappa_per_mm > 0.0 ? (1.0 + kappa_per_mm * l) * kFewRoundings : 1.0;
  }
};

/// Bounds between any two states of the range of which one at least is within the curvature limit; and
/// between an allowed state with other frozen bends and a state of the range, if what the difference of the
/// bends does is added (see above).
MotionBounds motion_bounds(const Design& design, const StateRange& states);

/// Bounds between any two allowed states of the design with the same locks and frozen bends, whatever these
/// are.
MotionBounds motion_bounds(const Design& design);

}  // namespace withy
