// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 6 (tip). Where the tip is in the allowed states of a cell, and which way it points.
//
// The tip of every allowed state is within about_mm of a point of the piece of line through the centre's tip
// along z, along_mm either way; its tangent is within turn_rad of the centre's.
//   Premises: the cell is an AllowedBox; where the centre can't be placed nothing is known.
//   Derivation: in general along_mm = 0 and the rest is lemma 5 at the tip. With the free carriage and no
//   continuous frozen bends insertion carries the body along as one piece: the tip moves along z by h_d, and
//   about that by |h_u| l^2 / 2, l the free region's length; it turns by at most |h_u| l (leaf_tip.h).
//   Rounding: places are sums of lengths up to 1e3 mm, directions products of a few rotations: kTipRounding.
#pragma once

#include <functional>
#include <optional>

#include <Eigen/Geometry>

#include "planner/proof/lemmas/leaf_tip.h"
#include "planner/proof/lemmas/limits_over_box.h"

namespace withy {

/// Of one cell; a value.
class TipRange {
 public:
  TipRange(const Eigen::Isometry3d& middle_E, double along_mm, double about_mm, double turn_rad)
      : middle_E_(middle_E), along_mm_(along_mm), about_mm_(about_mm), turn_rad_(turn_rad) {}

  /// The tip's pose at the centre of the cell; only a guess of where it is in the others.
  const Eigen::Isometry3d& middle_E() const { return middle_E_; }

  /// May the tip come within `distance_mm` of the point in some allowed state?
  bool may_come_within(double distance_mm, const Eigen::Vector3d& point_E) const;

  /// The same of a set that `outside_mm` bounds the distance to: never more than that, not above 0 in it. The
  /// piece of line is cut into parts; a place within h along the line and about_mm of a part's middle is
  /// within h + about_mm of it.
  bool may_come_within(double distance_mm,
                       const std::function<double(const Eigen::Vector3d&)>& outside_mm) const;

  /// May it point within `angle_rad` of a direction that the centre's tip is `middle_off_rad` off?
  bool may_point_within(double angle_rad, double middle_off_rad) const;

 private:
  Eigen::Isometry3d middle_E_;
  double along_mm_;
  double about_mm_;
  double turn_rad_;
};

/// For the cells of one design's leaves. Keeps what it found out of a leaf: one per thread.
class TipOverBox {
 public:
  /// The design and the chart must outlive it.
  TipOverBox(const Design& design, const BendChart& chart) : design_(design), chart_(chart) {}

  /// Nothing where nothing is known.
  std::optional<TipRange> range(const Leaf& leaf, const AllowedBox& cell);

 private:
  const Design& design_;
  const BendChart& chart_;
  std::optional<LeafTip> tip_;  // of the leaf that was asked about last
};

}  // namespace withy
