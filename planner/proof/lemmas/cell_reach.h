// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 5 (reach). In every allowed state of a cell the body point at station s is within CellReach::at(s) of
// where the cell's centre has it, and its tangent within turn_at(s) of the tangent there:
//     at(s)   = insertion_lever(s) h_d + curvature_lever(s) |h_u| + sum over frozen regions (s - start) |h_t|
//     turn(s) = kappa h_d + (s - start of the free region) |h_u| + sum over frozen regions |h_t|
// h the half-widths of the cell, levers and kappa of lemma 3.
//   Premises: the cell's frozen bends are those that some insertion of it allows (AllowedBox); the centre's
//   bends all have some length to be in.
//   Derivation: go from the centre c to the allowed state q in three parts, insertion and free curvature by
//   lemma 3 (which holds though c may be past the curvature limit), and each frozen bend by itself: one that
//   changes by |h_t| turns what is distal of its region's start by as much (|dT| <= |db|, motion_bounds.h),
//   and moves it by that times the arc length from there, or from the first exposed station, behind which
//   nothing bends.
//   Rounding: h is taken from the centre as it was rounded to the farther end (Box::from_centre, which counts
//   its own). Two products and a sum for each of at most kMaxLocks + 2 terms, numbers of one sign, the
//   lever's own roundings in it (lemma 3): fewer than 60, kReachRounding.
#pragma once

#include <array>

#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/proof/lemmas/motion_bounds.h"

namespace withy {

/// A factor for a few dozen roundings of 2^-53 on numbers of one sign.
inline constexpr double kReachRounding = 1.0 + 1e-13;

/// How far a cell lets a station move; a value.
class CellReach {
 public:
  /// `centre`: that of the box.
  static CellReach of(const Design& design, const BendChart& chart, const Leaf& leaf, const AllowedBox& cell,
                      const State& centre);

  /// Of the point at station s, mm.
  double at(double s_mm) const;
  /// Of its tangent, rad.
  double turn_at(double s_mm) const;

  /// The same cell at one insertion.
  CellReach of_bends_alone() const {
    CellReach bends = *this;
    bends.dd_mm_ = 0.0;
    return bends;
  }

  /// What of the above is not from frozen bends, and whether there is more.
  const MotionBounds& bounds() const { return bounds_; }
  double dd_mm() const { return dd_mm_; }
  double du_per_mm() const { return du_per_mm_; }
  bool has_frozen() const { return frozen_count_ > 0; }

 private:
  CellReach() = default;
  struct Frozen {
    double from_mm = 0.0;
    double turn_rad = 0.0;
  };
  MotionBounds bounds_;
  double dd_mm_ = 0.0;
  double du_per_mm_ = 0.0;
  std::array<Frozen, kMaxLocks> frozen_;  // as many as count
  int frozen_count_ = 0;
};

}  // namespace withy
