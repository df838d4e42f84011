// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 12 (outside). Upper bounds of the signed distance D where the field keeps nothing: how deep outside
// the lumen is a point, wherever it moves?
//   Premise: it is past the entry plane wherever it moves. Rounding: kept numbers are floats, rounded to the
//   safe side (kSizeRounding); sums of lengths up to 1e3 mm: kDistanceRounding_mm.
//
// Space is cut into cubes; the first question about a cube computes the exact distance at its centre q and
// keeps it. For x in the cube and y within `reach` of x, both past the entry plane, with r = |x - q|:
//     D(y) <= D(q) + r + |y - x|      unless a passage (distance_field.h) is within r + reach of q, (1)
//     D(y) <= |D(q)| + r + |y - x|    else: (2)
// the distance to the wall changes no faster than the point moves, and its sign changes at the wall or
// through a passage only. No cube lies on both sides of the entry plane.
//
// Units: mm, frame E.
#pragma once

#include <memory>
#include <unordered_map>

#include <Eigen/Core>

#include "geometry/distance/distance_field.h"
#include "planner/proof/lemmas/premises.h"

namespace withy {

/// One thread's: it keeps what it has found out.
class OutsideBound {
 public:
  explicit OutsideBound(std::shared_ptr<const DistanceField> field) : field_(std::move(field)) {}

  /// An upper bound of D wherever the point is. Precondition: that is past the entry plane.
  UpperBound upper_over(const MovedPoint& p);

 private:
  struct Known {
    float distance;  // D at the centre, rounded up
    float passage;   // to the nearest passage, rounded down
  };
  Known look(const Eigen::Vector3d& centre_E) const;

  std::shared_ptr<const DistanceField> field_;
  std::unordered_map<std::uint64_t, Known> known_;
};

}  // namespace withy
