// SPDX-License-Identifier: GPL-3.0-or-later
// How a picture looks at the scene: a parallel projection that shows the channel's broad side, fitted to a
// frame of points.
#pragma once

#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"
#include "planner/show/picture_canvas.h"

namespace withy {

struct PictureFrame {
  double left = 0.0;
  double top = 0.0;
  double width = 0.0;
  double height = 0.0;
};

class PictureView {
 public:
  /// Shows all of `wall_E` and `also_E` inside `frame`. The longest principal axis of the wall's vertices
  /// lies across, the shortest towards the eye, `to_the_right_E` points to the right and up. Precondition:
  /// the wall has vertices.
  PictureView(const TriangleMesh& wall_E, const std::vector<Eigen::Vector3d>& also_E,
              const Eigen::Vector3d& to_the_right_E, const PictureFrame& frame);

  PicturePoint project(const Eigen::Vector3d& p_E) const;
  const Eigen::Vector3d& towards_eye_E() const { return towards_eye_; }
  double points_per_mm() const { return scale_; }

 private:
  Eigen::Vector3d right_;
  Eigen::Vector3d up_;
  Eigen::Vector3d towards_eye_;
  double scale_ = 1.0;
  double x0_ = 0.0;
  double y0_ = 0.0;
};

}  // namespace withy
