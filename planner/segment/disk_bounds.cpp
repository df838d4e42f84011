// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/disk_bounds.h"

#include <algorithm>
#include <cmath>

namespace withy {
namespace {

/// What the states of a box do within one gap.
struct Gap {
  double length_mm = 0.0;
  double kappa_per_mm = 0.0;  ///< the largest curvature
  double turn_rad = 0.0;      ///< integral of |u|, at most
  double off_rad = 0.0;       ///< integral of |u - u_m|, at most
};

double flexible_between(const Design& design, double from_mm, double to_mm) {
  return from_mm < to_mm ? design.flexible_length(from_mm, to_mm) : 0.0;
}

Gap gap_between(const Design& design, double from_mm, double to_mm,
                const std::vector<RegionCurvature>& regions, Interval exposed_from_mm) {
  Gap gap;
  gap.length_mm = to_mm - from_mm;
  for (const RegionCurvature& region : regions) {
    const double from = std::max({from_mm, region.from_mm, exposed_from_mm.lo});
    const double to = std::min(to_mm, region.to_mm);
    const double always = std::clamp(exposed_from_mm.hi, from, std::max(from, to));
    const double sometimes = flexible_between(design, from, std::min(always, to));
    const double length = sometimes + flexible_between(design, always, to);
    if (length <= 0.0) continue;
    gap.kappa_per_mm = std::max(gap.kappa_per_mm, region.largest_per_mm);
    gap.turn_rad += region.largest_per_mm * length;
    gap.off_rad += region.off_per_mm * (length - sometimes) +
                   std::max(region.off_per_mm, region.largest_per_mm) * sometimes;
  }
  return gap;
}

/// h - 2 sin(kappa h / 2) / kappa, where kappa h is at most a turn; h beyond.
double short_of_arc(double h_mm, double kappa_per_mm) {
  const double half = 0.5 * kappa_per_mm * h_mm;
  if (half >= M_PI) return h_mm;
  // The series' next term is below a 1e-12th of this one; the closed form would cancel.
  if (half < 1e-3) return h_mm * half * half / 6.0;
  return h_mm * (1.0 - std::sin(half) / half);
}

}  // namespace

DiskBounds disk_bounds(const Design& design, const std::vector<double>& disks,
                       const std::vector<RegionCurvature>& regions, Interval exposed_from_mm) {
  const double r = design.tendons()->radius_mm;
  DiskBounds bounds;
  for (std::size_t j = 0; j + 1 < disks.size(); ++j) {
    const Gap gap = gap_between(design, disks[j], disks[j + 1], regions, exposed_from_mm);
    if (gap.turn_rad == 0.0) continue;
    const double most = 1.0 + r * gap.kappa_per_mm;
    bounds.beyond_continuous.hi += most * short_of_arc(gap.length_mm, gap.kappa_per_mm);             // (2)
    bounds.beyond_continuous.lo -= 2.0 * gap.length_mm * std::max(0.0, r * gap.kappa_per_mm - 1.0);  // (1)
    const bool in_cone = r * gap.kappa_per_mm < 1.0 && gap.turn_rad <= 0.5 * M_PI;
    const double turned = in_cone ? std::sin(0.5 * gap.turn_rad) : 1.0;
    bounds.off += (r + 0.5 * most * gap.length_mm * turned) * gap.off_rad;  // (3)
  }
  return bounds;
}

}  // namespace withy
