// SPDX-License-Identifier: GPL-3.0-or-later
// Curvatures and their limit: a state may bend by |u| up to the limit, the curvature disk.
#pragma once

#include <algorithm>

#include <Eigen/Core>

#include "planner/segment/state.h"

namespace withy {

/// A curvature up to the limit times this counts: one that is meant to stand on its limit may be an ulp past
/// it. Bounds that rest on the limit (motion_bounds.h, cell_slide.h) count with this as well.
inline constexpr double kCurvatureRounding = 1.0 + 1e-9;

/// The point of the curvature disk nearest to `u` (1/mm).
inline Eigen::Vector2d clamp_to_curvature_disk(const Design& design, const Eigen::Vector2d& u) {
  const double kappa = design.segment().curvature_max_per_mm;
  return u.norm() > kappa ? Eigen::Vector2d(u * (kappa / u.norm())) : u;
}

/// The largest curvature (1/mm) of any region in one state.
inline double largest_curvature(const Design& design, const State& state) {
  double most = 0.0;
  for (const Region& region : regions_of(design, state)) most = std::max(most, region.u.norm());
  return most;
}

}  // namespace withy
