// SPDX-License-Identifier: GPL-3.0-or-later
// The disk of allowed curvatures: |u| at most the curvature limit.
#pragma once

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

/// A curvature up to the limit times this counts: one that is meant to stand on its limit may be an ulp past
/// it. Bounds that rest on the limit (motion_bounds.h, cell_slide.h) count with this as well.
inline constexpr double kCurvatureRounding = 1.0 + 1e-9;

/// The point of the curvature disk nearest to `u` (1/mm).
inline Eigen::Vector2d clamp_to_curvature_disk(const Design& design, const Eigen::Vector2d& u) {
  const double kappa = design.segment().curvature_max_per_mm;
  return u.norm() > kappa ? Eigen::Vector2d(u * (kappa / u.norm())) : u;
}

}  // namespace withy
