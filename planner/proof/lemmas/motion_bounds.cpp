// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/motion_bounds.h"

#include <algorithm>
#include <cmath>

#include "planner/segment/curvature_limit.h"

namespace withy {

MotionBounds motion_bounds(const Design& design, const State& state, double d_low, double d_high,
                           double u_bound) {
  MotionBounds bounds;
  State low = state;
  low.insertion_mm = d_low;
  const auto regions = regions_of(design, low);
  bounds.free_from_mm = regions.back().from_mm;
  bounds.exposed_from_mm = first_exposed_station(design, d_high);
  bounds.turning_to_mm = bounds.exposed_from_mm;
  if (design.carriage().kind == CarriageKind::free) return bounds;
  // Every region the entry plane may cut between the two insertions. A frozen region is tightest where least
  // of it is out; the limit bounds it where that is past the limit, or none of it is out (see the header).
  const double cut_to = first_exposed_station(design, d_low);
  for (const Region& region : regions) {
    if (region.from_mm > cut_to || region.to_mm < bounds.exposed_from_mm) continue;
    const double limit = design.segment().curvature_max_per_mm * kCurvatureRounding;
    const double kappa = region.frozen() ? std::min(region.u.norm(), limit) : u_bound;
    bounds.kappa_per_mm = std::max(bounds.kappa_per_mm, std::isfinite(kappa) ? kappa : limit);
    bounds.turning_to_mm = region.to_mm;
  }
  return bounds;
}

}  // namespace withy
