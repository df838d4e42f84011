// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/locks.h"

#include "geometry/numbers/decompositions.h"
#include "geometry/numbers/numbers.h"
#include "planner/segment/friction_load.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Half step of the central difference (rad): its own error is of the order of step^2 = 1e-10 of the length,
/// rounding of 1e-16 / step = 1e-11 of it.
constexpr double kAngleStep_rad = 1e-5;

Eigen::Vector3d tip(const Design& design, const State& state) {
  return Shape(design, state).tip_E().translation();
}

/// d tip / d Theta of frozen region `index` (mm per rad).
Eigen::Matrix<double, 3, 2> tip_by_bend(const Design& design, const State& state, std::size_t index) {
  Eigen::Matrix<double, 3, 2> J;
  for (int axis = 0; axis < 2; ++axis) {
    State more = state;
    State less = state;
    more.theta_frozen[index](axis) += kAngleStep_rad;
    less.theta_frozen[index](axis) -= kAngleStep_rad;
    J.col(axis) = (tip(design, more) - tip(design, less)) / (2.0 * kAngleStep_rad);
  }
  return J;
}

}  // namespace

std::vector<double> lock_moments(const Design& design, const TendonStatics& statics,
                                 const std::vector<Region>& regions) {
  std::vector<double> load(static_cast<std::size_t>(design.lock_count()), 0.0);
  if (regions.size() == 1) return load;
  const double EI = design.segment().flexural_rigidity_Nmm2;
  const Eigen::Vector2d moment = EI * regions.back().u;
  const auto extra = statics.extra_tension(moment);
  const double exponent = extra ? design.tendons()->friction_coefficient * wrapped_angle(regions) : 0.0;
  const FrictionMoments made(statics, moment, extra.value_or(ExtraTension{}), exponent);
  for (const Region& region : regions) {
    if (!region.frozen()) continue;
    load[static_cast<std::size_t>(region.end_lock)] =
        region.u.allFinite() ? made.farthest_from(EI * region.u) : kInfinity;
  }
  return load;
}

double backlash_tip_shift_mm(const Design& design, const State& state) {
  if (!design.latch() || design.latch()->backlash_mm <= 0.0) return 0.0;
  const double play_rad = design.latch()->backlash_mm / design.latch()->backbone_radius_mm;
  const std::vector<Region> regions = regions_of(design, state);
  double shift = 0.0;
  for (std::size_t i = 0; i + 1 < regions.size(); ++i) {
    if (regions[i].flexible_mm <= kNoLength_mm) continue;
    const Eigen::Matrix<double, 3, 2> J = tip_by_bend(design, state, i);
    shift += play_rad * singular_values(J)(0);
  }
  return shift;
}

}  // namespace withy
