// SPDX-License-Identifier: GPL-3.0-or-later
// Other ways to ask how far a body is from a wall of triangles.
//
// Each is given the body's points (balls of one radius): placing them is not in its time.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/channel.h"

namespace withy::bench {

struct Body {
  std::vector<Eigen::Vector3d> points;
  double radius_mm = 0.0;
};

struct Rival {
  std::string name;
  /// The body's clearance; or, where `yes_no`, 1 if it touches the wall and 0 if not.
  std::function<double(const Body&)> ask;
  bool yes_no = false;
};

std::vector<Rival> cgal_rivals(const std::shared_ptr<const Channel>& channel);
std::vector<Rival> fcl_rivals(const std::shared_ptr<const Channel>& channel);
std::vector<Rival> embree_rivals(const std::shared_ptr<const Channel>& channel);

}  // namespace withy::bench
