// SPDX-License-Identifier: GPL-3.0-or-later
// The wall distance sampled on a grid: a look-up instead of a search, with proved bounds on both sides.
//
// What is bounded is WallDistance::signed_distance D: its size is the distance d to the nearest wall face,
// its sign + inside the closed solid. Samples stand at the nodes of a cubic grid of spacing h, planes z = 0,
// h, 2h, ... of the entry frame E, in blocks of 8 x 8 x 8 cells; only blocks that meet the lumen are kept, so
// that memory follows the lumen's volume.
//
// Let x lie in a cell with corners x_i, trilinear weights w_i (so x = sum w_i x_i), r_i = |x - x_i|, and let
// s^2 = sum w_i r_i^2 = h^2 (tx(1-tx) + ty(1-ty) + tz(1-tz)), t the place of x in the cell. Node i keeps
// g_i = +d_i^2 when it is proved inside and -d_i^2 otherwise. With V = sum w_i g_i - s^2:
//
//   V > 0   =>  x is inside and D(x) >= sqrt(V)
//   V <= 0  =>  D(x) >= -sqrt(-2 V)
//
// Proof. (1) |x|^2 - d(x)^2 = sup over wall points k of (2 x.k - |k|^2) is convex (the squared distance to
// any closed set is semiconcave: P. Cannarsa and C. Sinestrari, "Semiconcave Functions, Hamilton-Jacobi
// Equations, and Optimal Control", 2004, prop. 2.2.2), so d(x)^2 >= |x|^2 - sum w_i (|x_i|^2 - d_i^2) =
// sum w_i (d_i^2 - r_i^2) >= V. (2) Suppose x is outside and d = d(x). A corner that is inside is cut off
// from x by the wall, so d + d_i <= r_i and d_i^2 - r_i^2 <= -d^2. A corner that is not has -d_i^2 - r_i^2 <=
// -(d - r_i)^2 - r_i^2 <= -d^2/2 if d >= r_i, and <= -d^2 if not. So V <= -d^2/2: V > 0 proves x inside, and
// V <= 0 leaves D = -d >= -sqrt(-2 V). (3) If x is inside and V <= 0, D >= 0. Taking a corner that is inside
// for one that is not, or a distance at an inside corner too small, only lowers V.
//
// The lower bound is about 3 h^2 / (8 d) below D in the middle of a cell, away from the medial axis, at worst
// 0.87 h on it. From above, d(x) <= sqrt(sum w_i d_i^2) + s (the triangle inequality d <= d_i + r_i in the
// norm weighted by w), and, much closer, d(x) <= the distance to any one face: each node keeps its nearest
// face, and the upper bound is the least of those of the cell's corners.
//
// Step (2) needs that only the wall parts inside from outside. Faces that part them and are no wall
// (passages: geometry/channel/passage.h) break it, so nodes
// within kPassageMargin_mm of one are marked, and there the answer is "not known": ask WallDistance. The
// entry opening itself is at z <= 0, where nothing is constrained; a point behind the entry plane is answered
// for its projection onto it.
//
// Units: mm. Frame: E.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "geometry/distance/distance_field_view.h"
#include "geometry/distance/face_packets.h"
#include "geometry/distance/large_array.h"

namespace withy {

/// A node farther from the wall than this keeps this as its distance (mm): more than the thickest body and
/// the widest clearance anyone asks for, and it keeps the fill of wide chambers cheap.
inline constexpr double kDefaultBand_mm = 8.0;

/// Within this of a passage nothing is known (mm). Elsewhere a point may be moved this far on the strength of
/// one look-up without leaving through a passage; farther after a look at passage_distance().
inline constexpr double kPassageMargin_mm = 0.5;

/// Safe to use from several threads at once.
class DistanceField {
 public:
  /// Samples the distance every `spacing_mm`, on all cores. Distances are kept up to `band_mm`.
  static std::shared_ptr<const DistanceField> make(std::shared_ptr<const WallDistance> wall,
                                                   double spacing_mm, double band_mm = kDefaultBand_mm);

  struct Bracket {
    double lower = 0.0;  ///< -infinity where nothing is known
    double upper = 0.0;  ///< +infinity where nothing is known
  };

  /// lower <= D(p) <= upper, p being projected onto z = 0 if it lies behind the entry plane.
  Bracket at(const Eigen::Vector3d& p_E) const;

  /// The lower half of at(): about ten times faster than both.
  double lower(const Eigen::Vector3d& p_E) const;

  /// An upper bound of D(p) (projected as for at()), close only as long as it is above `enough`: what is
  /// cheap is tried first, from the same memory as the lower bound.
  double upper(const Eigen::Vector3d& p_E, double enough) const;

  /// An upper bound of |D|, so of the distance to the wall; the nearest faces of the cell's corners, measured
  /// exactly.
  double upper_distance(const Eigen::Vector3d& p_E) const;

  /// Are there passages at all? If not, a look-up holds however far the point is moved afterwards.
  bool has_passages() const { return !passages_.empty(); }
  /// A lower bound of the distance to the nearest passage, close to it up to `most_mm`, which is returned
  /// when none is nearer.
  double passage_distance(const Eigen::Vector3d& p_E, double most_mm) const;

  double spacing_mm() const { return view_.spacing; }
  double band_mm() const { return band_mm_; }
  /// All memory kept, bytes.
  std::size_t bytes() const;
  /// Wall-clock time the filling took.
  double fill_seconds() const { return fill_seconds_; }
  /// Blocks kept.
  std::size_t blocks() const { return face_.size() / kBlockNodes; }

  /// Is this point in a block that is not kept, and so surely not deeper inside than half a cell's diagonal?
  bool is_off(const Eigen::Vector3d& p_E) const { return cell_at(p_E).face == nullptr; }

  const WallDistance& exact() const { return *wall_; }
  std::shared_ptr<const WallDistance> exact_pointer() const { return wall_; }

  /// What the vector loops read.
  const FieldView& view() const { return view_; }

 private:
  friend class FieldFill;
  DistanceField() = default;

  struct Cell {
    std::array<double, 8> square;  // of the corners, x fastest
    std::array<double, 8> weight;  // of the corners
    const std::int32_t* face;      // of the first corner; null in a block that is not kept
    double spread2;                // s^2
    bool unknown;                  // V says nothing
  };
  Cell cell_at(const Eigen::Vector3d& p_E) const;
  static double lower_in(const Cell& cell);
  double quick_upper_in(const Cell& cell) const;
  double nearest_face_in(const Cell& cell, const Eigen::Vector3d& p_E) const;

  FacePackets passages_;
  std::shared_ptr<const WallDistance> wall_;
  LargeArray<std::int16_t>
      quads_;  // kBlockQuads to a block; the first block stands for all that are not kept
  // Nearest face of each node of a kept block, x fastest, kBlockNodes to a block; its complement where the
  // sign is not proved.
  LargeArray<std::int32_t> face_;
  std::vector<std::int32_t> offset_;  // where each block of the grid stands among the quads
  FieldView view_{};
  double band_mm_ = 0.0;
  double fill_seconds_ = 0.0;
  double node_rounding_mm_ = 0.0;      // how much a node's distance may be off
  double outside_rounding_mm2_ = 0.0;  // how much a square of a node outside may be too large
};

}  // namespace withy
