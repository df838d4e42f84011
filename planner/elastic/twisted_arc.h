// SPDX-License-Identifier: GPL-3.0-or-later
// An arc of constant bend and twist, and how its end moves with them.
//
// A stretch of length h whose rate of turning (u_x, u_y, tau) is constant in its own frame turns by the
// rotation vector a = h (-u_y, u_x, tau), and its centreline is a helix:
//     R = exp [a]x = I + (1 - x c) [a]x + b [a]x^2,    p = h J(a) e_z,    x = |a|^2,
//     J(a) = I + b [a]x + c [a]x^2,   b = (1 - cos |a|) / x,   c = (|a| - sin |a|) / |a|^3,
// J being the left Jacobian of the rotation: a small change da turns the end by J(a) da (T. D. Barfoot,
// "State Estimation for Robotics", 2017, section 7.1.5). b and c are summed as series in x, smooth at 0.
#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>

namespace withy {

/// [v]x, the matrix of the cross product from the left.
Eigen::Matrix3d cross_matrix(const Eigen::Vector3d& v);

/// An arc's end, in the frame at its start, for unit length.
class TwistedArc {
 public:
  /// `a`: the rotation vector over the whole arc, rad; at most about two turns.
  explicit TwistedArc(const Eigen::Vector3d& a);

  Eigen::Matrix3d rotation() const;
  Eigen::Matrix3d left_jacobian() const;

  /// d (J(a) v) / d a.
  Eigen::Matrix3d jacobian_change(const Eigen::Vector3d& v) const;
  /// d (J(a)^T v) / d a.
  Eigen::Matrix3d transposed_change(const Eigen::Vector3d& v) const;
  /// The second derivative of f . J(a) e_z by a.
  Eigen::Matrix3d second_change(const Eigen::Vector3d& f) const;

 private:
  Eigen::Vector3d a_;
  double b_ = 0.0, b1_ = 0.0, b2_ = 0.0;  // and derivatives by x
  double c_ = 0.0, c1_ = 0.0, c2_ = 0.0;
};

}  // namespace withy
