// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 22 (swept box). The clearance of a whole motion and a whole body, as a proved lower bound: no
// sampling gaps in time or along the body.
//
// A motion from q0 to q1 (insertion and free curvature linear in t) sweeps the surface p(t, s). It is cut
// into boxes [t0, t1] x [s0, s1]. Over one box:
//   * p differs from the bilinear interpolation of its four corners by at most
//         e = (dt^2 max|p_tt| + ds^2 max|p_ss|) / 8,   |p_ss| <= kappa, (1)
//     the error of linear interpolation applied along t and along s (K. E. Atkinson, "An Introduction to
//     Numerical Analysis", 2nd ed., 1989, eq. 3.1.11);
//   * the distance d to any closed set has |x|^2 - d(x)^2 convex (it is sup over the set of 2 x.w - |w|^2; P.
//   Cannarsa and
//     C. Sinestrari, "Semiconcave Functions, Hamilton-Jacobi Equations, and Optimal Control", 2004,
//     prop. 2.2.2), so on the interpolating surface
//         d^2 >= (least d^2 at the corners) - (a^2 + b^2) / 4, (2)
//     a, b the longest box edges along s and t.
// So with d_i the distances at the corners
//         d - R >= sqrt(min d_i^2 - (a^2 + b^2) / 4) - e - R: (3)
// second order in the box, where a Lipschitz bound is first order. The sign: all of the box past the entry
// plane lies in a ball about one corner that touches no wall and no passage (geometry/channel/passage.h: open
// outlets, and faces of the entry opening that reach past the entry plane, are no wall, yet past them lies
// outside) and has an inside centre. The bound of |p_tt| is motion_acceleration.h. Where the entry plane
// passes from one region or rigid span to the next p_t jumps, so the motion is cut there.
//   Premises: both ends keep the limits, locks and frozen bends are the same; one radius over the box.
//   Rounding: distances, squares and roots of lengths up to 1e3 mm: kRounding_mm (verify.cpp).
#pragma once

#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"
#include "planner/motion/action.h"
#include "planner/motion/clearance.h"

namespace withy {

/// A reported clearance is at most this below the true one.
inline constexpr double kClearanceSlack_mm = 0.05;

struct MotionClearance {
  double lower_mm = 0.0;  ///< proved lower bound; +infinity when the body never passes the entry plane
  double upper_mm =
      0.0;  ///< clearance found at some point of the motion: the true minimum lies between the two
};

/// How the body stands to the channel, where that is not as planned.
struct BodyPlacement {
  /// The carriage's entry frame B in the channel's entry frame E.
  Eigen::Isometry3d X_EB = Eigen::Isometry3d::Identity();
  /// Stations up to so far behind the channel's entry plane count as past it (their distance is that to the
  /// wall, their side that of their projection onto the plane): what bounds on displaced bodies start from.
  double behind_mm = 0.0;
};

/// The stations that are checked: those of the body and shaft between two, mm.
struct BodyStretch {
  double from_mm = -kInfinity;
  double to_mm = kInfinity;
};

/// Verifies motions of one design in one channel. Safe to use from several threads at once.
class MotionVerifier {
 public:
  MotionVerifier(const Design& design, const ChannelDistance& distance, const BodyPlacement& placement = {})
      : design_(design), distance_(distance), placement_(placement) {}

  /// Clearance over the motion from `from` to `to` (same locks and frozen bends), upper - lower <=
  /// kClearanceSlack_mm unless the body leaves the lumen, in which case upper is negative and lower only says
  /// so. Both states must be within_limits.
  MotionClearance clearance(const State& from, const State& to) const { return clearance(from, to, {}); }

  /// The same of a stretch of the body alone.
  MotionClearance clearance(const State& from, const State& to, const BodyStretch& stretch) const;

  /// Clearance of one state.
  MotionClearance clearance(const State& state) const { return clearance(state, state); }

  /// The clearance as far as it takes to tell whether it is at least `required_mm`, within
  /// kClearanceSlack_mm: it is when lower does not fall short of that, it is not when upper does; else it is
  /// too close to tell. Much cheaper than clearance() where it plainly is or isn't.
  MotionClearance compare(const State& from, const State& to, double required_mm) const {
    return compare(from, to, required_mm, {});
  }

  /// The same of a stretch of the body alone.
  MotionClearance compare(const State& from, const State& to, double required_mm,
                          const BodyStretch& stretch) const;

  /// Is the clearance proved to be at least `required_mm` all the way?
  bool clears(const State& from, const State& to, double required_mm) const {
    return compare(from, to, required_mm).lower_mm >= required_mm;
  }

  const Design& design() const { return design_; }
  const ChannelDistance& distance() const { return distance_; }

 private:
  const Design& design_;
  const ChannelDistance& distance_;
  BodyPlacement placement_;
};

}  // namespace withy
