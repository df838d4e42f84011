// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 13 (room). How much room is there at most, anywhere near a point? For proofs that a lumen is too
// narrow.
//
// Within r of a point p the signed distance D is at most D(p) + r, which says little where r is as large as
// the lumen is wide. The largest D of a whole cube does not grow with the cube as long as the lumen is as
// narrow all along: it is kept here for cubes of 1, 2, 4 ... mm, found when it is first asked for. For a cube
// of half-diagonal h about q
//     D(y) <= D(q) + h      unless a passage (distance_field.h) is within h of q,
//     D(y) <= |D(q)| + h    else
// (outside_bound.h), and the least cubes are cut in eight until none of the needs that are asked about lies
// between that and the largest D found in them (branch and bound: A. H. Land and A. G. Doig, "An Automatic
// Method of Solving Discrete Programming Problems", Econometrica 28(3), 1960). No cube lies on both sides of
// the entry plane.
//
//   Premises: none. Rounding: half-diagonals rounded up (kHalfDiagonal), kept numbers are floats above,
//   distances as in lemma 7.
//
// Units: mm, frame E.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <unordered_map>
#include <vector>

#include <Eigen/Core>

#include "geometry/distance/distance_field.h"
#include "planner/proof/lemmas/premises.h"

namespace withy {

/// One thread's: it keeps what it has found out.
class RoomBound {
 public:
  /// `needs_mm`: the values of room that will be asked about; at least one. From the largest on, more is all
  /// one.
  RoomBound(std::shared_ptr<const DistanceField> field, std::vector<double> needs_mm);

  /// An upper bound of D over the places of a moved point that are past the entry plane: below each need
  /// that the cubes of about that size about them are below, but where it is too close to tell. +infinity
  /// where it is the largest need or more, or its reach is too large.
  UpperBound most_within(const MovedPoint& p);

  /// Edge of the least cubes. Cube (i, j, k) reaches from (i, j, k) edges to (i + 1, j + 1, k + 1), its faces
  /// with it.
  static constexpr double kLeastCube_mm = 1.0;
  using Cube = std::array<std::int64_t, 3>;
  /// The same of one least cube; one that is past the entry plane (k >= 0).
  UpperBound most_in_cube(const Cube& cube) { return {most_in(0, cube)}; }

 private:
  using Index = Cube;
  double most_in(int level, const Index& cube);
  double look(int level, const Index& cube);
  double enough_mm() const { return needs_mm_.back(); }
  bool settled(double found_mm, double over_mm) const;
  struct Bound {
    double at_centre;
    double over_cube;
  };
  Bound bound(const Eigen::Vector3d& centre_E, double edge_mm) const;
  double search(const Eigen::Vector3d& centre_E, const Bound& whole) const;

  std::shared_ptr<const DistanceField> field_;
  std::vector<double> needs_mm_;  // ascending
  std::unordered_map<std::uint64_t, float> known_;
};

}  // namespace withy
