// SPDX-License-Identifier: GPL-3.0-or-later
// The middle line of a made tube: circular arcs and straights, with a frame that does not twist about the
// tangent.
//
// A piece of curvature vector u (1/mm, in the frame at its start) and length l bends towards the local
// direction u/|u| by the angle |u| l: the same convention as a region of the segment, so a tube can be
// written down with the numbers of the body that follows it. Along an arc the frame turns about the arc's
// axis only, which is the rotation-minimising frame.
//
// A curve through points is a cubic spline over chord length (Eigen's Splines module) that leaves along the
// start frame's z; it is cut into arcs no longer than `kSplineStep_mm`, each through two neighbouring points
// of the spline. Its frames come from the double reflection method (W. Wang, B. Juettler, D. Zheng, Y. Liu,
// "Computation of Rotation Minimizing Frames", ACM Trans. Graphics 27(1), 2008, Table I).
//
// Units: mm, rad. Frame: that of the start pose.
#pragma once

#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

namespace withy {

/// Spline curves are cut into arcs of about this length: at a radius of curvature of 5 mm an arc through two
/// points of the curve then leaves it by well under a micrometre.
inline constexpr double kSplineStep_mm = 0.25;

class TubePath {
 public:
  /// One arc (or straight, u = 0) as a recipe gives it.
  struct Bend {
    double length_mm = 0.0;
    Eigen::Vector2d u = Eigen::Vector2d::Zero();
  };

  /// Arcs and straights one after the other. Precondition: at least one, all lengths positive.
  static TubePath from_bends(const Eigen::Isometry3d& start, const std::vector<Bend>& bends);

  /// A smooth curve through points given in the start frame. Precondition: at least two points, the first one
  /// the origin, no two neighbours alike.
  static TubePath through_points(const Eigen::Isometry3d& start, const std::vector<Eigen::Vector3d>& points);

  double length_mm() const { return length_mm_; }

  /// Pose at a station; z is the tangent. Stations outside [0, length] are held at the ends.
  Eigen::Isometry3d pose(double station_mm) const;

  double curvature(double station_mm) const;  ///< 1/mm

  /// Stations where the curvature jumps (the joints of a recipe's pieces), the two ends included. A spline
  /// has only ends.
  const std::vector<double>& joints_mm() const { return joints_; }

  struct Nearest {
    double station_mm = 0.0;
    double distance_mm = 0.0;
  };
  /// The nearest point of the line, exact for arcs and straights.
  Nearest nearest(const Eigen::Vector3d& p) const;

 private:
  struct Piece {
    double from_mm;
    double length_mm;
    Eigen::Vector2d u;
    Eigen::Isometry3d X;
    Eigen::Vector3d middle;  // of a ball around the piece, of radius length / 2
  };
  void append(const Eigen::Isometry3d& X, double length_mm, const Eigen::Vector2d& u);
  const Piece& piece_at(double station_mm) const;

  std::vector<Piece> pieces_;
  std::vector<double> joints_;
  double length_mm_ = 0.0;
};

}  // namespace withy
