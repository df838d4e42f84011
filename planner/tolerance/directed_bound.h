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

  /// Bound of the distance (mm) from a station to a target, with the free carriage. `levers` the station's.
  double farthest(const BendDirections& station, const BendLevers& levers, const Eigen::Vector3d& target_E,
                  const ErrorBounds& errors) const;

 private:
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
