// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture_view.h"

#include <algorithm>
#include <cassert>

#include "geometry/numbers/decompositions.h"

namespace withy {

PictureView::PictureView(const TriangleMesh& wall_E, const std::vector<Eigen::Vector3d>& also_E,
                         const Eigen::Vector3d& to_the_right_E, const PictureFrame& frame) {
  assert(!wall_E.vertices.empty());
  const Eigen::Matrix3d axes = principal_axes(wall_E.vertices);
  right_ = axes.col(2);
  up_ = axes.col(1);
  if (right_.dot(to_the_right_E) < 0.0) right_ = -right_;
  if (up_.dot(to_the_right_E) < 0.0) up_ = -up_;
  towards_eye_ = right_.cross(up_);

  Eigen::Vector2d low = Eigen::Vector2d::Constant(1e300);
  Eigen::Vector2d high = -low;
  const auto hold = [&](const Eigen::Vector3d& p) {
    const Eigen::Vector2d q(right_.dot(p), up_.dot(p));
    low = low.cwiseMin(q);
    high = high.cwiseMax(q);
  };
  for (const Eigen::Vector3d& p : wall_E.vertices) hold(p);
  for (const Eigen::Vector3d& p : also_E) hold(p);
  const Eigen::Vector2d size = (high - low).cwiseMax(1e-9);
  scale_ = std::min(frame.width / size.x(), frame.height / size.y());
  x0_ = frame.left + 0.5 * (frame.width - scale_ * size.x()) - scale_ * low.x();
  y0_ = frame.top + 0.5 * (frame.height - scale_ * size.y()) + scale_ * high.y();
}

PicturePoint PictureView::project(const Eigen::Vector3d& p_E) const {
  return {x0_ + scale_ * right_.dot(p_E), y0_ - scale_ * up_.dot(p_E)};
}

}  // namespace withy
