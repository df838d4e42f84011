// SPDX-License-Identifier: GPL-3.0-or-later
// Bounds on what many states at once draw of a tendon that runs through spacer disks (tendons.h).
//
// A tendon's hole at station s, offset rho = r_t e from the centreline p(s), R(s), is at q(s) = p(s) + R(s)
// rho. Without torsion q' = (1 - rho . u) t, t the unit tangent. A gap of length h has the curvatures u(s),
// kappa >= |u(s)| all along it, turns by A = integral of |u|, bends by Theta = integral of u, and draws G = h
// - |q(b) - q(a)|. In what follows w = 1 - rho . u, |w| <= 1 + r_t kappa.
//
// 1. About the continuous pull rho . Theta.
//      Straight is shortest: |q(b) - q(a)| <= integral of |w| <= h - rho . Theta + 2 h max(0, r_t kappa - 1),
//      so
//          G >= rho . Theta - 2 h max(0, r_t kappa - 1).                          (1)
//      Along the tangent at the gap's middle, which t(s) leaves by at most kappa |s - middle| <= kappa h / 2,
//      for kappa h <= 2 pi: |q(b) - q(a)| >= integral of w cos(angle) >= h - rho . Theta - integral of |w| (1
//      - cos(kappa |s - middle|)), so
//          G <= rho . Theta + (1 + r_t kappa) (h - 2 sin(kappa h / 2) / kappa),   (2)
//      and with any kappa, since a distance is not negative, G <= h <= rho . Theta + (1 + r_t kappa) h.
// 2. About another state's G. Of two fields of curvature, v = u_1 - u_0, take the line of fields between
// them.
//      To first order v(s) ds turns what is distal of s about p(s): q(b) moves by omega x (q(b) - q(s)) -
//      (rho . v) t(s), |omega| = |v| ds. With n = (q(b) - q(a)) / |q(b) - q(a)|, x = q(b) - q(s), y = q(s) -
//      q(a), the first part changes the distance by n . (omega x x) = omega . (x x y) / |x + y|: |v| ds times
//      the height of the triangle with sides x, y over its base x + y. That is at most the shorter side, |x|,
//      |y| or half of l = (1 + r_t kappa) h. Where r_t kappa < 1 and A <= pi / 2, all tangents of either side
//      lie within a cone about t(s), hence x and y turn by at most A from one another; the base is then at
//      least |x| + |y| times cos(A / 2), and the height, at most the semi-minor axis of the ellipse with the
//      base's ends as foci, at most l / 2 sin(A / 2). The second part changes it by at most r_t |v| ds. So
//          |G_1 - G_0| <= (r_t + (1 + r_t kappa) h / 2 S) integral of |v|,   S = sin(A / 2) or 1,   (3)
//      kappa and A the larger of both fields', which those between don't exceed.
//
// The first is sharp for coarse boxes, the second shrinks with the box.
#pragma once

#include <vector>

#include "planner/segment/design.h"
#include "planner/segment/interval.h"

namespace withy {

/// One region of every state of a box.
struct RegionCurvature {
  double from_mm = 0.0;
  double to_mm = 0.0;
  double largest_per_mm = 0.0;  ///< |u| of no state is more
  double off_per_mm = 0.0;      ///< |u - u_m| of no state is more, u_m that of one state m of the box
};

/// What the bounds above come to, summed over all gaps and for any one tendon (mm).
struct DiskBounds {
  Interval beyond_continuous;  ///< pull less the continuous pull of the same state
  double off = 0.0;            ///< |pull - pull of the state m|
};

/// `exposed_from_mm`: the first exposed station of every state. Stations in between are straight in some
/// states. Precondition: the design has tendons through disks; the regions follow one another from base to
/// tip.
DiskBounds disk_bounds(const Design& design, const std::vector<double>& disks,
                       const std::vector<RegionCurvature>& regions, Interval exposed_from_mm);

}  // namespace withy
