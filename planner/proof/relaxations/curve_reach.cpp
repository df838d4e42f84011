// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/relaxations/curve_reach.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace withy {

namespace {

/// Far above what a handful of roundings of 2^-53 and a limit passed for rounding (action.h) come to.
constexpr double kCurveRounding = 1e-8;

}  // namespace

double farthest_off_axis(double curvature_max_per_mm, double length_mm) {
  const double turn = curvature_max_per_mm * length_mm;
  if (turn <= 0.5 * std::numbers::pi) return (1.0 - std::cos(turn)) / curvature_max_per_mm;
  return 1.0 / curvature_max_per_mm + length_mm - 0.5 * std::numbers::pi / curvature_max_per_mm;
}

CurveReach reach_of_curves(const Design& design) {
  const double kappa = design.segment().curvature_max_per_mm * (1.0 + kCurveRounding);
  const double insertion = design.carriage().insertion_max_mm;
  const double length = design.carriage().kind == CarriageKind::free
                            ? design.length_mm()
                            : std::min(design.length_mm(), insertion);
  const double slack = kCurveRounding * (1.0 + length + insertion);
  return {farthest_off_axis(kappa, length) + slack, insertion + slack};
}

bool beyond_all_curves(const Design& design, const TipWish& wish) {
  const double kappa = design.segment().curvature_max_per_mm * (1.0 + kCurveRounding);
  const CurveReach reach = reach_of_curves(design);
  if (wish.point_E.head<2>().norm() - wish.tolerance_mm > reach.off_axis_mm) return true;
  if (wish.point_E.z() - wish.tolerance_mm > reach.deep_mm) return true;
  if (!wish.direction_E) return false;
  const double turn = std::acos(std::clamp(wish.direction_E->z(), -1.0, 1.0));
  const double most = kappa * design.flexible_length(0.0, design.length_mm());
  return turn - wish.direction_tolerance_rad > most + kCurveRounding;
}

}  // namespace withy
