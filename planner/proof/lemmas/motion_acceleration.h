// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 21 (acceleration). How crookedly a body point moves along a motion: a bound of |d^2 p / dt^2|.
//
// Statement. Along a motion (insertion d and free curvature u linear in t from 0 to 1, dd and du their
// differences) let [t0, t1] be a part of it in which the entry plane passes no end of a region and no end of
// a rigid span. The point at any station up to s has |p_tt| <= MotionAcceleration::bound(t0, t1, s) there.
//
// Premises. Each frozen bend is finite and keeps some exposed flexible length in the part.
//
// Derivation. With x0 the first exposed station, p = p(x0) + integral of T from x0 to s, T = Exp(b) the
// exponential map of the unit sphere at the pole, b the bending angle vector from the region's start (motion_
// bounds.h). Then |T_tt| <= |b_tt| + c |b_t|^2. c = 1.2 bounds |T''| for b that moves linearly at unit speed:
// the covariant part is at most 2/pi, where (x - sin x cos x)/x^2 is greatest, and the normal part 1; the
// mixed part, twice the spherical Bessel function j1 <= 0.4362 (M. Abramowitz and I. A. Stegun, "Handbook of
// Mathematical Functions", 1964, 10.1), never adds. Rotations proximal of a region only turn its T_tt.
//
// Free region, bent by the tendons, entry plane proximal of it: b = u x, b_t = x du, b_tt = 0, x at most l,
// the arc length from its start to s:
//     c |du|^2 l^3 / 3.                                                                             (1)
// Free region cut by the entry plane where the body is flexible: x0 falls by dd, b = u F, F the flexible
// length from x0, F_t = dd, so |b_t| <= |du| x + kappa dd, |b_tt| = 2 |du| dd, and p_tt = dd T_t(x0) +
// integral of T_tt with |T_t(x0)| <= kappa dd:
//     kappa dd^2 + 2 |du| dd l + c (|du|^2 l^3 / 3 + kappa |du| dd l^2 + kappa^2 dd^2 l).              (2)
// Frozen region cut where the body is flexible: b = Theta phi, phi = F / f from 0 at x0 to 1 at its end, f
// all of it that is out, F_t = f_t = dd, so
//     phi_t = dd (1 - phi) / f,   phi_tt = -2 dd^2 (1 - phi) / f^2.
// With kappa = |Theta| / f: |b_t| = kappa dd (1 - phi), |b_tt| = 2 kappa dd^2 (1 - phi) / f. Integrals of
// (1 - phi) and its square over flexible arc length are f / 2 and f / 3; over rigid spans within the region,
// r in all up to s, phi stands still and they are at most r. Past the region's end phi = 1. Hence
//     kappa dd^2 (2 + 2 r / f + c kappa (f / 3 + r)),                                                (3)
// greatest where f is least, and (1) for the free region on top. Where the body is rigid at the entry plane,
// F_t = f_t = 0 in either case and only (1) is left; so with the free carriage and with the base out.
//
// Rounding. A few dozen operations in double precision on numbers of one sign: the factor
// kAccelerationRounding.
//
// Units: mm, rad; t has none.
#pragma once

#include <vector>

#include "planner/segment/state.h"

namespace withy {

/// c above.
inline constexpr double kTangentAcceleration = 1.2;

/// Of one motion; the design must outlive it.
class MotionAcceleration {
 public:
  /// Both states have the same locks and frozen bends, as a motion's ends do.
  MotionAcceleration(const Design& design, const State& from, const State& to);

  /// See above.
  double bound(double t0, double t1, double s_mm) const;

 private:
  struct FrozenStretch {
    double from_mm;
    double to_mm;
    double bend_rad;  // |Theta|
  };
  double of_cut_frozen(const FrozenStretch& region, double d_low_mm, double s_mm) const;

  const Design& design_;
  double from_insertion_mm_;
  double dd_;          // with its sign
  double du_;          // |du|
  double kappa_free_;  // largest |u|
  double free_from_mm_;
  std::vector<FrozenStretch> frozen_;
};

}  // namespace withy
