// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/problem.h"

#include <algorithm>
#include <cmath>

namespace withy {

double Goal::distance(const Eigen::Isometry3d& tip_E) const {
  if (region) return std::max(0.0, region->outside_mm(tip_E.translation()));
  return (tip_E.translation() - point_E).norm();
}

double Goal::direction_error(const Eigen::Isometry3d& tip_E) const {
  if (!direction_E) return 0.0;
  const Eigen::Vector3d t = tip_E.linear().col(2);
  return std::atan2(t.cross(*direction_E).norm(), t.dot(*direction_E));
}

}  // namespace withy
