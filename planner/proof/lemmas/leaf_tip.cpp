// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/leaf_tip.h"

#include <algorithm>

#include "planner/segment/shape.h"

namespace withy {

LeafTip::LeafTip(const Design& design, const Leaf& leaf) : engaged_(leaf.engaged), base_(leaf.base) {
  State straight_on;
  straight_on.engaged = leaf.engaged;
  straight_on.theta_frozen = leaf.base;
  const double from = stretches_of(design, leaf.engaged).back().from_mm;
  X_free_ = Shape(design, straight_on).pose_E(from);
  free_length_mm_ = design.length_mm() - from;
  double at = from;
  const auto add = [&](double to, bool rigid) {
    if (to > at) pieces_.push_back({to - at, rigid});
    at = std::max(at, to);
  };
  for (const RigidSpan& span : design.rigid_spans()) {
    add(span.from_mm, false);
    add(span.to_mm, true);
  }
  add(design.length_mm(), false);
}

Eigen::Isometry3d LeafTip::at(const Eigen::Vector2d& u) const {
  Eigen::Isometry3d X = X_free_;
  for (const Piece& piece : pieces_) {
    if (piece.rigid)
      X.translation() += piece.length_mm * X.linear().col(2);
    else
      X = X * arc_pose(u, piece.length_mm);
  }
  return X;
}

}  // namespace withy
