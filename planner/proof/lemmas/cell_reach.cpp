// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/cell_reach.h"

#include <algorithm>
#include <cmath>

namespace withy {

CellReach CellReach::of(const Design& design, const BendChart& chart, const Leaf& leaf,
                        const AllowedBox& cell, const State& centre) {
  const Box& box = cell.box();
  CellReach reach;
  reach.bounds_ = motion_bounds(design, StateRange::of_cell(cell, centre));
  reach.dd_mm_ = box.from_centre(0);
  reach.du_per_mm_ = std::hypot(box.from_centre(1), box.from_centre(2));
  const int n = chart.coordinates();
  if (n == 0) return reach;
  const auto regions = stretches_of(design, leaf.engaged);
  reach.frozen_count_ = leaf.engaged_count();
  for (int r = 0; r < reach.frozen_count_; ++r)
    reach.frozen_[Box::idx(r)] = {
        std::max(regions[Box::idx(r)].from_mm, reach.bounds_.exposed_from_mm),
        n == 1 ? box.from_centre(3 + r) : std::hypot(box.from_centre(3 + 2 * r), box.from_centre(4 + 2 * r))};
  return reach;
}

double CellReach::at(double s_mm) const {
  double m = bounds_.insertion_lever(s_mm) * dd_mm_ + bounds_.curvature_lever_mm2(s_mm) * du_per_mm_;
  for (int r = 0; r < frozen_count_; ++r) {
    const Frozen& region = frozen_[Box::idx(r)];
    m += std::max(0.0, s_mm - region.from_mm) * region.turn_rad;
  }
  return m * kReachRounding;
}

double CellReach::turn_at(double s_mm) const {
  const double l = s_mm - std::max(bounds_.free_from_mm, bounds_.exposed_from_mm);
  double turn = std::max(0.0, l) * du_per_mm_ + bounds_.kappa_per_mm * dd_mm_;
  for (int r = 0; r < frozen_count_; ++r) turn += frozen_[Box::idx(r)].turn_rad;
  return turn * kReachRounding;
}

}  // namespace withy
