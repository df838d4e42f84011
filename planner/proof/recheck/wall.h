// SPDX-License-Identifier: GPL-3.0-or-later
// What the checker asks of the wall: is D below a bound in a whole ball?
//
// D is the signed distance of scenes/MODEL.md, section 5: its size is the distance to the nearest wall face,
// its sign that of the closed solid. Two ways to bound it from above over the ball of radius r about c, both
// with slack for nothing but the tree's nearest face:
//
//   by a wall point q:  D(p) <= |p - q| <= |c - q| + r for every q on a wall face, whatever the sign. q is a
//   convex
//     combination of the corners of the face that geometry/ calls nearest, worked out in intervals: should
//     another face be nearer, the bound is only weaker.
//   from outside:  if c is outside the solid and no face that is not wall (entry opening, open outlet) meets
//   the ball,
//     the straight way from c to a p inside the solid leaves the outside through a wall face, so D(p) <= r.
//     (Outside: CGAL's exact predicates, geometry/channel/wall_distance.h.)
#pragma once

#include <array>
#include <atomic>
#include <memory>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "planner/proof/recheck/body.h"

namespace withy::recheck {

/// Safe to ask from several threads. The distance must outlive it.
class Wall {
 public:
  /// `grain_mm`: spacing of the grid that guesses are kept on.
  Wall(const WallDistance& distance, double grain_mm);

  /// D, interpolated between the nodes of a grid that is filled where it is asked; a guess, never a proof.
  double guess(const Eigen::Vector3d& p_E) const;
  double grain_mm() const { return grain_; }

  /// Proves D < need everywhere in the ball. False where it can't.
  bool below_in(const Ball& ball, double need) const;

  /// Proves D >= need at every point of the ball past the entry plane (z > 0): the centre is inside, no face
  /// that is not wall meets what of the ball is past the plane, and the distance at the centre is more than
  /// the radius and need.
  bool above_in(const Ball& ball, double need) const;

  /// A lower bound of D at p (by geometry's distance, less rounding).
  double lower(const Eigen::Vector3d& p_E) const;

 private:
  double node(std::size_t x, std::size_t y, std::size_t z) const;
  double signed_at(const Eigen::Vector3d& p_E) const;
  bool meets_opening(const Ball& ball) const;

  struct Bounds {
    Eigen::Vector3d low;
    Eigen::Vector3d high;
  };
  /// A face that is not wall.
  struct Opening {
    Bounds box;
    std::array<Eigen::Vector3d, 3> corners;
  };
  static bool may_meet(const Ball& ball, const Bounds& box);
  static bool may_meet(const Ball& ball, const Opening& opening);
  const WallDistance& distance_;
  double grain_;
  Eigen::Vector3d origin_;
  std::array<int, 3> count_{};
  std::unique_ptr<std::atomic<float>[]> nodes_;
  std::vector<Opening> openings_;
  Bounds all_openings_;
};

}  // namespace withy::recheck
