// SPDX-License-Identifier: GPL-3.0-or-later
// Rotation by a vector: about its direction, by its length (rad). Smooth at zero, which turns nothing.
#pragma once

#include <Eigen/Geometry>

namespace withy {

inline Eigen::Matrix3d rotation_by(const Eigen::Vector3d& turn_rad) {
  const double angle = turn_rad.norm();
  if (angle <= 0.0) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(angle, turn_rad / angle).toRotationMatrix();
}

}  // namespace withy
