// SPDX-License-Identifier: GPL-3.0-or-later
// The clearance a cell keeps (motion_cells.h), wall triangle by wall triangle: what errors do along the way
// to a triangle counts, what they do across it does not.
//
// Let n be any unit vector, w a point of the wall, p one of the cell's, p_c and s as in worst_case.h. The
// wall as it came out has (1 + s) w for w, and
//     |p_c - (1 + s) w| >= n . (p_c - (1 + s) w) = n . p + n . (p_c - p) - (1 + s) n . w.
// For a triangle with corners v the last term is at most max over v of n . v + sigma |n . v|. And n . (p_c -
// p) is no less than minus
//     H_n(p) = e sum_i |L_i^T n| + g |G . n| + o sum_k |A_k . F^T n| + p_e + alpha |p x n| + q
//              + rho |(p - m) x n| + v |F^T n|,
// L_i, F and G (BendDirections) what errors at lock i, of the free bend and of the gain do at p, A_k the bend
// of an offset of tendon k, v that of a sweep (along a line of direction l: v |l . F^T n|), and less what is
// past first order:
//     second order of the bends (bend_levers.h); alpha^2 P / 2 and rho^2 Q / 2, Taylor's theorem for
//     exp(v) p; and h(alpha) D + h(rho) (D + h(alpha) P + p_e), since the rotations turn displacements too.
// n . p - H_n(p) for given errors is linear in p and the derivatives, so over the cell it is at least the
// least at its corners less the bulge of the swept surface, (dt^2 |du|^2 l^3 / 3 + ds^2 kappa) / 8 (verify.h;
// |p_tt| <= |du|^2 l^3 / 3 by (1) of bend_levers.h), once more alpha + rho times, and between_corners.
// So the body of radius R keeps at least
//     min over triangles of  max over n of  [min over corners (n . p - H_n(p)) - max over v (...)]
// less all that and R. Any n of length 1 or less proves; the best is the way between the nearest points of
// the triangle and of where errors may put p, sought for one corner's p by a few steps of conditional
// gradient (M. Frank and P. Wolfe, "An algorithm for quadratic programming", Naval Research Logistics
// Quarterly 3, 1956). A triangle that the bound without directions (worst_case.h) puts far enough away is
// left out.
//
// The side: all of it holds for smaller errors too, of every size down to none, so while the bound plus R is
// above 0 the path from p to p_c / (1 + s) as errors grow meets no wall; p is inside, known of the cell. All
// of the cell must be past the entry plane, so that the path is, or leaves by the opening.
//
// In parts: where that does not tell, as beside the entry's rim, which a cell may pass with a part of it
// alone, the cell is halved, along the motion and along the body; a sweep's chords stand in boxes of bends,
// each taken for an error about one of its bends, halved down to single chords. Let C be all x with n . x >=
// h(n) for every n of length 1, h(n) the least of n . p - H_n(p) at a part's corners less all that is lost. C
// is convex and has every p_c of the part; C+ is what of it is past the entry plane, z > 0, and nothing else
// counts. Of the part enough is kept where
//   * -h(-e_z) <= 0: C+ is empty; or
//   * no wall and no passage, as they came out, is within R and enough of the ball about the box that C+ lies
//     in, and the ball's middle is inside (worst_case.h, (2)); or
//   * no triangle is within R and enough of C+, and no passage of the ball.
//     With m of length 1, lambda >= 0 and
//     n = m - lambda e_z, for every x of C+, where z >= 0,
//         |x - (1 + s) w| >= m . x - (1 + s) m . w >= |n| h(n / |n|) - (1 + s) m . w,
//     so what errors lift past the plane counts with where they move it by then. m is sought as above, lambda
//     by golden section, for h is concave (J. Kiefer, "Sequential minimax search for a maximum", Proc. AMS 4,
//     1953). The side: C+ is convex and meets no wall of any s, so all of it is where its highest point is,
//     which is asked about exactly.
//
// The tip's error: for given errors the tip is off its target (1 + s) x_t by v + z, v as planned, n . z at
// most H_n + sigma |n . x_t|. Let x be the farthest of all such points, r long, and n a direction at most eta
// off its own: the support of the set along n is at least n . x >= r cos(eta). So r is at most the greatest
// support over directions that leave no gap wider than eta, over cos(eta), and what is past first order comes
// on top.
#pragma once

#include <memory>
#include <optional>

#include "planner/tolerance/motion_cells.h"
#include "planner/tolerance/wall_triangles.h"

namespace withy {

/// Sizes of errors as the bounds want them.
struct ErrorBounds {
  double backlash_rad = 0.0;  ///< e
  double pull_gain = 0.0;     ///< g
  double offset_mm = 0.0;     ///< o
  double offset_rad = 0.0;    ///< most of |A o|
  double entry_mm = 0.0;
  double entry_rad = 0.0;  ///< alpha
  double registration_mm = 0.0;
  double registration_rad = 0.0;                         ///< rho
  double lumen_scale = 0.0;                              ///< sigma
  double swept_rad = 0.0;                                ///< most of |v|, in |A o| with it
  Eigen::Vector2d swept_line = Eigen::Vector2d::Zero();  ///< along which v is; zero: any way

  double entry_chord = 0.0;  ///< h(alpha), h(rho): asked for by every cell, so worked out once
  double registration_chord = 0.0;
  void take_chords();

  /// The same of a sweep, taken for one more error: every state of it is one of these bends off the one that
  /// is swept about.
  ErrorBounds with(const HuntSweep& sweep) const;

  /// D and M of worst_case.h (mm).
  double bent(const BendLevers& levers) const {
    return levers.displacement(backlash_rad, pull_gain, offset_rad);
  }
  double moved(const BendLevers& levers, double from_entry_mm, double from_centre_mm) const;
};

/// h: most that a rotation by this angle (rad) moves a point at distance 1.
double chord(double angle_rad);

/// A cell and what it is of; all must outlive the look.
struct CellPlace {
  const Design& design;
  const ChannelDistance& distance;
  const MotionCell& cell;  ///< levers and distances hold for all states that are looked at
};

class DirectedBound {
 public:
  /// `bend_per_pull`: A (bend_from_pulls).
  DirectedBound(std::shared_ptr<const WallTriangles> triangles, Eigen::MatrixXd bend_per_pull,
                const Eigen::Vector3d& channel_centre_E)
      : triangles_(std::move(triangles)),
        bend_per_pull_(std::move(bend_per_pull)),
        centre_E_(channel_centre_E) {}

  /// What a cell keeps (mm), or `enough_mm` if that is less. Nothing where this bound does not apply.
  std::optional<double> kept(const MotionCell& cell, const CellCorners& corners, const ErrorBounds& errors,
                             double enough_mm) const;

  /// Does a cell of a motion from `from` to `to` keep `enough_mm`, looked at in parts? False where it is not
  /// told; with the guide it never is. `cell`: its levers and distances hold between the two.
  bool keeps_in_parts(const CellPlace& place, const State& from, const State& to, const ErrorBounds& errors,
                      double enough_mm, const Effort& effort) const;
  /// The same all along a sweep. `errors` those without it.
  bool keeps_in_parts(const CellPlace& place, const HuntSweep& sweep, const ErrorBounds& errors,
                      double enough_mm, const Effort& effort) const;

  /// Bound of the distance (mm) from a station to a target, with the free carriage. `levers` the station's.
  double farthest(const BendDirections& station, const BendLevers& levers, const Eigen::Vector3d& target_E,
                  const ErrorBounds& errors) const;

 private:
  class Reach;
  class Parts;
  double along(const Eigen::Vector3d& n, const BendDirections& at, const ErrorBounds& errors) const;
  Eigen::Vector3d worst_against(const Eigen::Vector3d& n, const BendDirections& at,
                                const ErrorBounds& errors) const;
  double room_to(const WallTriangle& triangle, const CellCorners& corners, const ErrorBounds& errors,
                 double enough_mm) const;

  std::shared_ptr<const WallTriangles> triangles_;
  Eigen::MatrixXd bend_per_pull_;
  Eigen::Vector3d centre_E_;
};

}  // namespace withy
