// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/lumen_lattice.h"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace withy {

namespace {

/// Distance of p from the axis between z = low and z = high.
double distance_to_axis(const Eigen::Vector3d& p_E, double low, double high) {
  return (p_E - Eigen::Vector3d(0.0, 0.0, std::clamp(p_E.z(), low, high))).norm();
}

/// May the tip get to p as far as lengths go?
bool within_insertion(const Segment& segment, const Carriage& carriage, const Eigen::Vector3d& p_E) {
  const double length = segment.length_mm;
  const double deepest_base = carriage.insertion_max_mm - length;
  if (carriage.kind == CarriageKind::free) return distance_to_axis(p_E, -length, deepest_base) <= length;
  return distance_to_axis(p_E, 0.0, std::max(0.0, deepest_base)) <=
         std::min(length, carriage.insertion_max_mm);
}

}  // namespace

std::vector<Eigen::Vector3d> lumen_lattice(const WallDistance& wall, const Segment& segment,
                                           const Carriage& carriage, double clearance_mm, double spacing_mm,
                                           double most_looked_at, std::size_t most_points) {
  assert(spacing_mm > 0.0);
  Eigen::Array3d low = wall.channel().mesh_E.vertices.front();
  Eigen::Array3d high = low;
  for (const Eigen::Vector3d& p : wall.channel().mesh_E.vertices) {
    low = low.min(p.array());
    high = high.max(p.array());
  }
  const Eigen::Array3d first = (low / spacing_mm).ceil().max(Eigen::Array3d(-1e300, -1e300, 1.0));
  const Eigen::Array3d last = (high / spacing_mm).floor();
  std::vector<Eigen::Vector3d> points;
  if ((last - first + 1.0).max(0.0).prod() > most_looked_at) return points;
  const double need = segment.radius_mm + clearance_mm;
  for (double k = first.z(); k <= last.z(); ++k)
    for (double j = first.y(); j <= last.y(); ++j)
      for (double i = first.x(); i <= last.x(); ++i) {
        const Eigen::Vector3d p = spacing_mm * Eigen::Vector3d(i, j, k);
        if (!within_insertion(segment, carriage, p) || wall.signed_distance(p) < need) continue;
        if (points.size() == most_points) return {};
        points.push_back(p);
      }
  return points;
}

}  // namespace withy
