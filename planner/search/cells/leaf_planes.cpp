// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/leaf_planes.h"

#include <algorithm>
#include <iterator>

#include "planner/effort/shares.h"

namespace withy {

LeafPlanes::LeafPlanes(const Leaf& leaf, const Box& box, const std::vector<double>& insertions_mm)
    : share_(shares::kPlaneFirstLooks) {
  for (const double insertion_mm : insertions_mm) {
    Box plane = box;
    plane.low[0] = plane.high[0] = insertion_mm;
    planes_.emplace_back(leaf, plane);
  }
}

bool LeafPlanes::find(CellProbe& probe, const std::function<bool()>& over) {
  while (share_ <= shares::kPlaneMostLooks) {
    for (; next_ < planes_.size(); ++next_) {
      SliceLook& plane = planes_[next_];
      if (!is_wanted(next_)) continue;
      while (plane.finding() == SliceLook::Finding::open && plane.looks() < share_) {
        if (over()) return false;
        const std::int64_t before = plane.looks();
        plane.go_on(probe, std::min(shares::kPlaneFirstLooks, share_ - before));
        looks_ += plane.looks() - before;
      }
      any_left_ = any_left_ || plane.finding() == SliceLook::Finding::open;
    }
    if (!any_left_) break;
    any_left_ = false;
    next_ = 0;
    share_ *= 2;
  }
  return true;
}

bool LeafPlanes::is_wanted(std::size_t plane) const {
  return planes_[plane].finding() == SliceLook::Finding::open && !meets_parting(plane, -1) &&
         !meets_parting(plane, 1);
}

/// Does a plane without legal states come before one that is known to have some, from this plane on?
bool LeafPlanes::meets_parting(std::size_t plane, int step) const {
  for (auto i = static_cast<std::ptrdiff_t>(plane) + step; i >= 0 && i < std::ssize(planes_); i += step) {
    const SliceLook::Finding finding = planes_[static_cast<std::size_t>(i)].finding();
    if (finding != SliceLook::Finding::open) return finding == SliceLook::Finding::blocked;
  }
  return false;
}

std::vector<bool> LeafPlanes::parting() const {
  std::vector<bool> parting;
  for (const SliceLook& plane : planes_) parting.push_back(plane.finding() == SliceLook::Finding::blocked);
  return parting;
}

}  // namespace withy
