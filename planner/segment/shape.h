// SPDX-License-Identifier: GPL-3.0-or-later
// The centreline of a state: constant-curvature arcs and straight rigid spans, in the entry frame.
//
// An arc of curvature vector u = (ux, uy), kappa = |u|, phi = atan2(uy, ux), flexible length l, theta = kappa
// l, carries frame (p, R) to
//     p' = p + R [cos(phi) (1 - cos theta) / kappa,
//                 sin(phi) (1 - cos theta) / kappa, sin(theta) / kappa] (1)
//     R' = R Rot((-sin phi, cos phi, 0), theta) (2)
// (R. J. Webster III and B. A. Jones, "Design and Kinematic Modeling of Constant Curvature Continuum Robots:
// A Review", Int. J. Robotics Research 29(13), 2010, the arc transformation, here without torsion about the
// tangent.) Both are written with sin(x)/x and (1 - cos x)/x^2 series so that kappa -> 0 is smooth.
#pragma once

#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "planner/segment/state.h"

namespace withy {

/// Pose at the end of an arc of curvature vector `u` (1/mm) and length `l_mm`, in the frame at its start.
Eigen::Isometry3d arc_pose(const Eigen::Vector2d& u, double l_mm);

/// A state's centreline, evaluable at any station in O(number of pieces).
class Shape {
 public:
  Shape(const Design& design, const State& state);

  /// Pose in E of the cross-section at station s (mm). s < 0 is the shaft behind the base, always on the
  /// advance axis. Precondition: s <= L.
  Eigen::Isometry3d pose_E(double s_mm) const;
  /// The same pose's translation.
  Eigen::Vector3d point_E(double s_mm) const;

  /// Unit tangent in E at station s.
  Eigen::Vector3d tangent_E(double s_mm) const { return pose_E(s_mm).linear().col(2); }

  Eigen::Isometry3d tip_E() const { return pose_E(length_mm_); }

  const std::vector<Region>& regions() const { return regions_; }

 private:
  struct Piece {
    double from_mm;
    Eigen::Vector2d u;  // zero where rigid or inside the guide
    Eigen::Isometry3d X_E;
  };
  const Piece& piece_at(double s_mm) const;

  double length_mm_;
  std::vector<Piece> pieces_;
  std::vector<Region> regions_;
};

}  // namespace withy
