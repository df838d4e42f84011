// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/motion_bounds.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/segment/curvature_limit.h"

namespace withy {

StateRange StateRange::of_motion(const State& from, const State& to) {
  assert(from.engaged == to.engaged);
  return {from, std::min(from.insertion_mm, to.insertion_mm), std::max(from.insertion_mm, to.insertion_mm),
          std::max(from.u_free.norm(), to.u_free.norm())};
}

StateRange StateRange::of_cell(const AllowedBox& cell, const State& centre) {
  const Box& box = cell.box();
  return {centre, box.low[0], box.high[0], curvature_range(box).second};
}

MotionBounds motion_bounds(const Design& design, const StateRange& states) {
  MotionBounds bounds;
  State low = states.any();
  low.insertion_mm = states.d_low_mm();
  const auto regions = regions_of(design, low);
  bounds.free_from_mm = regions.back().from_mm;
  if (design.carriage().kind == CarriageKind::free) return bounds;
  bounds.exposed_from_mm = first_exposed_station(design, states.d_high_mm()) - kLengthRounding_mm;
  bounds.turning_to_mm = bounds.exposed_from_mm;
  // Every region the entry plane may cut between the two insertions. A frozen region is tightest where least
  // of it is out; the limit bounds it where that is past the limit, or none of it is out (see the header).
  const double cut_to = first_exposed_station(design, states.d_low_mm()) + kLengthRounding_mm;
  const double limit = design.segment().curvature_max_per_mm * kCurvatureRounding;
  for (const Region& region : regions) {
    if (region.from_mm > cut_to || region.to_mm < bounds.exposed_from_mm) continue;
    double kappa = states.u_bound_per_mm();
    if (region.frozen()) {
      const double out = region.flexible_mm - kLengthRounding_mm;
      kappa = region.theta.isZero(0.0) ? 0.0
              : out > kNoLength_mm     ? std::min(limit, region.theta.norm() / out * kFewRoundings)
                                       : limit;
    }
    bounds.kappa_per_mm = std::max(bounds.kappa_per_mm, std::isfinite(kappa) ? kappa : limit);
    bounds.turning_to_mm = region.to_mm;
  }
  return bounds;
}

MotionBounds motion_bounds(const Design& design) {
  MotionBounds bounds;
  if (design.carriage().kind == CarriageKind::free) return bounds;
  bounds.exposed_from_mm =
      first_exposed_station(design, design.carriage().insertion_max_mm) - kLengthRounding_mm;
  bounds.turning_to_mm = design.length_mm();
  bounds.kappa_per_mm = design.segment().curvature_max_per_mm * kCurvatureRounding;
  return bounds;
}

}  // namespace withy
