// SPDX-License-Identifier: GPL-3.0-or-later
// How far the wall is, from whichever source answers first: a sampled field with a proved bound, else the
// exact distance.
//
// The planner asks two things of a point: "is the wall at least this far" (a lower bound will do) and "how
// far is it" (exact). The field is optional; without it every answer is exact and slow.
#pragma once

#include <algorithm>
#include <cmath>
#include <memory>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "geometry/distance/distance_field.h"
#include "geometry/numbers/numbers.h"

namespace withy {

/// Safe to use from several threads at once. Points in the entry frame E, mm.
class ChannelDistance {
 public:
  explicit ChannelDistance(std::shared_ptr<const WallDistance> exact,
                           std::shared_ptr<const DistanceField> field = nullptr)
      : exact_(std::move(exact)), field_(std::move(field)) {}

  /// A lower bound of the unsigned distance to the wall; 0 or less where the source can't say. The field
  /// answers for the point's projection onto the entry plane when it is behind it, and distance changes no
  /// faster than the point moves.
  double lower_distance(const Eigen::Vector3d& p_E) const {
    if (!field_) return exact_->distance(p_E);
    return field_->lower(p_E) - std::max(0.0, -p_E.z());
  }

  /// A lower bound of D at p, or at its projection onto the entry plane when p is behind it. What it says of
  /// points that move is lemma 7 (planner/proof/lemmas/moved_distance.h).
  double signed_lower(const Eigen::Vector3d& p_E) const {
    if (field_) {
      const double lower = field_->lower(p_E);
      // Next to a passage the field knows nothing; elsewhere "nothing" means outside, or so near the wall
      // that no body fits.
      if (std::isfinite(lower) || !field_->has_passages()) return lower;
    }
    return signed_exact({p_E.x(), p_E.y(), std::max(0.0, p_E.z())});
  }

  /// D, the sign behind the entry plane being that of the projection onto it.
  double signed_exact(const Eigen::Vector3d& p_E) const {
    const double d = exact_->distance(p_E);
    return exact_->inside({p_E.x(), p_E.y(), std::max(0.0, p_E.z())}) ? d : -d;
  }

  /// Distance to the nearest passage (geometry/channel/passage.h); infinite without one.
  double passage_distance(const Eigen::Vector3d& p_E) const {
    return exact_->has_passages() ? exact_->passage_distance(p_E) : kInfinity;
  }

  /// Is lower_distance exact already?
  bool lower_is_exact() const { return field_ == nullptr; }

  const WallDistance& exact() const { return *exact_; }
  const DistanceField* field() const { return field_.get(); }
  std::shared_ptr<const DistanceField> field_pointer() const { return field_; }
  std::shared_ptr<const WallDistance> exact_pointer() const { return exact_; }

 private:
  std::shared_ptr<const WallDistance> exact_;
  std::shared_ptr<const DistanceField> field_;
};

}  // namespace withy
