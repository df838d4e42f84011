// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/places_passed.h"

#include <cmath>

namespace withy {

double turn_rad(const Target& place, const Eigen::Isometry3d& tip_S) {
  if (!place.direction_S) return 0.0;
  const Eigen::Vector3d tangent = tip_S.linear().col(2);
  return std::atan2(tangent.cross(*place.direction_S).norm(), tangent.dot(*place.direction_S));
}

bool is_at(const Target& place, const Eigen::Isometry3d& tip_S, const PlaceLeniency& leniency) {
  return (tip_S.translation() - place.point_S).norm() <= place.tolerance_mm + leniency.distance_mm &&
         turn_rad(place, tip_S) <= place.direction_tolerance_rad + leniency.turn_rad;
}

void PlacesPassed::pass(const Eigen::Isometry3d& tip_S) {
  while (next_ < places_.size() && is_at(places_[next_], tip_S, leniency_)) ++next_;
}

}  // namespace withy
