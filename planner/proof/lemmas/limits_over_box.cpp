// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/limits_over_box.h"

#include <algorithm>

#include "planner/segment/curvature_limit.h"

namespace withy {

namespace {

/// Bounds of the exposed flexible length of a region over a box's insertions, rounding included.
struct ExposedRange {
  double least_mm;
  double most_mm;
};

ExposedRange exposed_over(const Design& design, const Box& box, const Stretch& region) {
  const double least = exposed_flexible_length(design, box.low[0], region.from_mm, region.to_mm);
  const double most = exposed_flexible_length(design, box.high[0], region.from_mm, region.to_mm);
  // What counts as no length does so in every state.
  return {std::max(0.0, least - kLengthRounding_mm),
          most > kNoLength_mm - kLengthRounding_mm ? most + kLengthRounding_mm : 0.0};
}

}  // namespace

AllowedBox AllowedBox::of(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box) {
  Box allowed = box;
  const int n = chart.coordinates();
  if (n == 0 || leaf.base.empty()) return AllowedBox(allowed);
  const double kappa = design.segment().curvature_max_per_mm * kCurvatureRounding * kCurvatureRounding;
  const auto regions = stretches_of(design, leaf.engaged);
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const double most = kappa * exposed_over(design, box, regions[r]).most_mm;
    for (std::size_t k = 3 + r * Box::idx(n); k < 3 + (r + 1) * Box::idx(n); ++k) {
      allowed.low[k] = std::clamp(allowed.low[k], -most, most);
      allowed.high[k] = std::clamp(allowed.high[k], -most, most);
    }
  }
  return AllowedBox(allowed);
}

StateBox state_box(const BendChart& chart, const Leaf& leaf, const Box& box) {
  StateBox out;
  out.engaged = leaf.engaged;
  out.insertion_lo_mm = box.low[0];
  out.insertion_hi_mm = box.high[0];
  out.u_lo = {box.low[1], box.low[2]};
  out.u_hi = {box.high[1], box.high[2]};
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const BendRange range = frozen_bends(chart, leaf, box, r);
    out.theta_lo[r] = range.low;
    out.theta_hi[r] = range.high;
  }
  return out;
}

CellStatus curvature_over(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box) {
  const double kappa = design.segment().curvature_max_per_mm * kCurvatureRounding;
  const auto [least, most] = curvature_range(box);
  if (least > kappa) return CellStatus::blocked;
  CellStatus status = most <= kappa ? CellStatus::free : CellStatus::mixed;
  const auto regions = stretches_of(design, leaf.engaged);
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const BendRange bend = frozen_bends(chart, leaf, box, r);
    const double bend_least = bend.low.cwiseMax(-bend.high).cwiseMax(0.0).norm();
    const double bend_most = bend.low.cwiseAbs().cwiseMax(bend.high.cwiseAbs()).norm();
    const ExposedRange exposed = exposed_over(design, box, regions[r]);
    if (bend_least > kappa * exposed.most_mm) return CellStatus::blocked;
    if (bend_most > kappa * exposed.least_mm) status = CellStatus::mixed;
  }
  return status;
}

}  // namespace withy
