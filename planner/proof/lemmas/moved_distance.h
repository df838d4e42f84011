// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 7 (signed distance of a point that moves). D is WallDistance::signed_distance, p' the projection of p
// onto the entry plane if p is behind it, else p; y any point within r of p and past the entry plane.
//
//   one side:  where no passage is within r of p':   D(p') - r <= D(y) <= D(p') + r;
//   any side:                                         D(y) <= |D(p')| + r.
//
//   Premises: none but the above. A distance that may have crossed a passage is no distance inside, so the
//   lower bound exists for a OneSide only.
//   Derivation: |y - p'| <= |y - p| <= r, and all of the line from p' to y is within r of p' and not behind
//   the entry plane. The distance to the wall is 1-Lipschitz, and its sign changes only where a line meets
//   the wall, where both one-sided limits are 0, or a passage (geometry/channel/passage.h), which the line
//   does not meet. |D| is the distance to the wall whatever the side.
//   Rounding: of one addition, of lengths up to 1e3 mm, and of the distances themselves: kDistanceRounding_mm
//   up (upper bounds only; lower bounds of fields are rounded down already, distance_field_view.h).
#pragma once

#include <optional>

#include "geometry/distance/distance_field.h"
#include "planner/motion/clearance.h"
#include "planner/proof/lemmas/premises.h"

namespace withy {

/// Double rounding of square roots and sums of lengths up to 1e3 mm.
inline constexpr double kDistanceRounding_mm = 1e-11;

/// A moved point with no passage within its reach.
class OneSide {
 public:
  /// Nothing where a passage may be.
  static std::optional<OneSide> of(const DistanceField& field, const MovedPoint& p) {
    if (!field.has_passages()) return OneSide(p.reach_mm);
    if (field.passage_distance(p.centre_E, p.reach_mm + kPassageMargin_mm) <= p.reach_mm) return std::nullopt;
    return OneSide(p.reach_mm);
  }
  /// By the field where there is one.
  static std::optional<OneSide> of(const ChannelDistance& distance, const MovedPoint& p) {
    if (distance.field() != nullptr) return of(*distance.field(), p);
    if (distance.passage_distance(p.centre_E) <= p.reach_mm) return std::nullopt;
    return OneSide(p.reach_mm);
  }

  /// Of D wherever the point is, from a bound of D at its centre.
  LowerBound lower(LowerBound at_centre) const { return {at_centre.value - reach_mm_}; }
  UpperBound upper(UpperBound at_centre) const {
    return {at_centre.value + reach_mm_ + kDistanceRounding_mm};
  }

 private:
  explicit OneSide(double reach_mm) : reach_mm_(reach_mm) {}
  double reach_mm_;
};

/// An upper bound of D wherever the point is, past the entry plane; no closer than it takes to be below
/// `enough_mm`.
inline UpperBound upper_over(const DistanceField& field, const MovedPoint& p, double enough_mm) {
  if (const auto side = OneSide::of(field, p))
    return side->upper({field.upper(p.centre_E, enough_mm - p.reach_mm)});
  return {field.upper_distance(p.centre_E) + p.reach_mm + kDistanceRounding_mm};
}

/// The same from exact distances.
inline UpperBound upper_over(const ChannelDistance& distance, const MovedPoint& p) {
  const double d = distance.signed_exact(p.centre_E);
  if (const auto side = OneSide::of(distance, p)) return side->upper({d});
  return {std::abs(d) + p.reach_mm + kDistanceRounding_mm};
}

}  // namespace withy
