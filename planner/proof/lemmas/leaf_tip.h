// SPDX-License-Identifier: GPL-3.0-or-later
// Where the tip is over one leaf, fast: the frozen part is placed once, the free part for every curvature.
//
// With the free carriage and notched locks the frozen part of a leaf is rigid and insertion only carries the
// whole body along z, so tip(d, u) = Translate(0, 0, d) X_free(leaf) X(u): a product of a few arcs.
#pragma once

#include <vector>

#include <Eigen/Geometry>

#include "planner/proof/lemmas/leaf.h"

namespace withy {

class LeafTip {
 public:
  /// Preconditions: free carriage, no continuous frozen bends. The design must outlive this.
  LeafTip(const Design& design, const Leaf& leaf);

  bool is_of(const Leaf& leaf) const { return leaf.engaged == engaged_ && leaf.base == base_; }

  /// Tip pose in E at insertion 0; at insertion d it is d farther along z.
  Eigen::Isometry3d at(const Eigen::Vector2d& u) const;

  /// Length from the free region's start to the tip.
  double free_length_mm() const { return free_length_mm_; }

 private:
  struct Piece {
    double length_mm;
    bool rigid;
  };
  LockSet engaged_;
  std::vector<Eigen::Vector2d> base_;
  Eigen::Isometry3d X_free_;
  std::vector<Piece> pieces_;
  double free_length_mm_;
};

}  // namespace withy
