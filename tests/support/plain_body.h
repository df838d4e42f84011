// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: where the body is.
//
// Constant-curvature arcs: R. J. Webster III and B. A. Jones, "Design and Kinematic Modeling of Constant
// Curvature Continuum Robots: A Review", Int. J. Robotics Research 29(13), 2010. (1 - cos theta) / kappa is
// taken as 2 sin^2(theta / 2) / kappa, which loses no digits however small kappa is; kappa = 0 itself is a
// straight line.
#pragma once

#include <utility>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "tests/support/plain_scene.h"

namespace withy_plain {

struct Region {
  double from_mm = 0, to_mm = 0;
  Eigen::Vector2d u = Eigen::Vector2d::Zero();
};

struct State {
  double insertion_mm = 0;
  std::vector<bool> locked;
  std::vector<Region> regions;  ///< the free one last
};

/// Pose after an arc of curvature vector u and length l.
Eigen::Isometry3d arc(const Eigen::Vector2d& u, double l_mm);

/// First station outside the guide; 0 with the free carriage.
double exposed_from(const Robot& robot, double insertion_mm);

/// Rigid spans as (from, to), proximal to distal.
std::vector<std::pair<double, double>> rigid_spans(const Robot& robot);

/// f_e(d) between two stations: what is neither rigid nor inside the guide.
double flexible_length(const Robot& robot, double insertion_mm, double from_mm, double to_mm);

/// Bending angle vector of a region.
Eigen::Vector2d theta(const Robot& robot, const State& state, const Region& region);

/// Sum of the bending angle vectors from the base to station s.
Eigen::Vector2d theta_to(const Robot& robot, const State& state, double s_mm);

/// Radius at station s (the larger one at a lock body's ends).
double radius(const Robot& robot, double s_mm);

/// The centreline of one state.
class Body {
 public:
  Body(const Robot& robot, const State& state);
  Eigen::Isometry3d pose_E(double s_mm) const;  ///< s < 0 is the shaft
  Eigen::Vector3d point_E(double s_mm) const { return pose_E(s_mm).translation(); }

 private:
  struct Piece {
    double from_mm;
    Eigen::Vector2d u;
    Eigen::Isometry3d X_E;
  };
  std::vector<Piece> pieces_;
};

/// Points of the body at these stations, in E.
std::vector<Eigen::Vector3d> body_points(const Robot& robot, const State& state,
                                         const std::vector<double>& stations);

/// The state at fraction t of a motion. Insertion and the free region's u go linearly; frozen regions keep u
/// (free carriage) or their bending angle vector (guide).
State between(const Robot& robot, const State& from, const State& to, double t);

}  // namespace withy_plain
