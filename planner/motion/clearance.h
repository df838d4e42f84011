// SPDX-License-Identifier: GPL-3.0-or-later
// How far the wall is, from whichever source answers first: a sampled field with a proved bound, else the
// exact distance.
//
// The planner asks two things of a point: "is the wall at least this far" (a lower bound will do) and "how
// far is it" (exact). The field is optional; without it every answer is exact and slow.
#pragma once

#include <algorithm>
#include <memory>

#include <Eigen/Core>

#include "geometry/distance_field.h"
#include "geometry/wall_distance.h"

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
    return field_->at(p_E).lower - std::max(0.0, -p_E.z());
  }

  /// Is lower_distance exact already?
  bool lower_is_exact() const { return field_ == nullptr; }

  const WallDistance& exact() const { return *exact_; }
  const DistanceField* field() const { return field_.get(); }
  std::shared_ptr<const WallDistance> exact_pointer() const { return exact_; }

 private:
  std::shared_ptr<const WallDistance> exact_;
  std::shared_ptr<const DistanceField> field_;
};

}  // namespace withy
