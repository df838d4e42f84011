// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/tip_over_box.h"

#include <algorithm>
#include <cmath>

#include "planner/proof/lemmas/cell_reach.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// What rounding may cost a tip's place and direction: sums of lengths up to 1e3 mm in double precision.
constexpr double kTipRounding_mm = 1e-9;
constexpr double kTipRounding_rad = 1e-9;
// Half the length of a part of the line that tips are about: what a step along a middle line is.
constexpr double kLinePart_mm = 0.5;

}  // namespace

bool TipRange::may_come_within(double distance_mm, const Eigen::Vector3d& point_E) const {
  const Eigen::Vector3d off = middle_E_.translation() - point_E;
  const double along = std::max(0.0, std::abs(off.z()) - along_mm_);
  return std::hypot(off.x(), off.y(), along) <= distance_mm + about_mm_ + kTipRounding_mm;
}

bool TipRange::may_come_within(double distance_mm,
                               const std::function<double(const Eigen::Vector3d&)>& outside_mm) const {
  const double part_mm = std::max(kLinePart_mm, about_mm_);
  const int parts = std::max(1, static_cast<int>(std::ceil(along_mm_ / part_mm)));
  const double half = along_mm_ / parts;
  for (int k = 0; k < parts; ++k) {
    const double off = (2.0 * k + 1.0) * half - along_mm_;
    const double outside = outside_mm(middle_E_.translation() + Eigen::Vector3d(0.0, 0.0, off));
    if (outside <= distance_mm + half + about_mm_ + kTipRounding_mm) return true;
  }
  return false;
}

bool TipRange::may_point_within(double angle_rad, double middle_off_rad) const {
  return middle_off_rad <= angle_rad + turn_rad_ + kTipRounding_rad;
}

std::optional<TipRange> TipOverBox::range(const Leaf& leaf, const AllowedBox& cell) {
  const Box& box = cell.box();
  if (design_.carriage().kind == CarriageKind::free && chart_.coordinates() == 0) {
    if (!tip_ || !tip_->is_of(leaf)) tip_.emplace(design_, leaf);
    Eigen::Isometry3d tip = tip_->at({box.centre(1), box.centre(2)});
    tip.translation().z() += box.centre(0);
    const double l = tip_->free_length_mm();
    const double h_u = std::hypot(box.half(1), box.half(2));
    return TipRange(tip, box.half(0), 0.5 * l * l * h_u, l * h_u);
  }
  const State centre = centre_state(chart_, leaf, box);
  const Shape shape(design_, centre);
  for (const Region& region : shape.regions())
    if (!region.u.allFinite()) return std::nullopt;
  const CellReach reach = CellReach::of(design_, chart_, leaf, cell, centre);
  const double tip = design_.length_mm();
  return TipRange(shape.tip_E(), 0.0, reach.at(tip), reach.turn_at(tip));
}

}  // namespace withy
