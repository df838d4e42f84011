// SPDX-License-Identifier: GPL-3.0-or-later
// How a distance field is filled: which blocks meet the lumen, how far their nodes are from the wall, and on
// which side.
//
//   1. Blocks. Every block that a face may touch is "touched". The others are wholly inside or wholly
//      outside; those that share a face are alike, so that one exact question settles a whole component.
//   2. Distances. Each block finds the triangles that may be nearest to one of its nodes, each 4^3 of its
//      nodes narrows that list, each 2^3 again, and measures what is left (geometry/distance/face_packets.h).
//   3. Sides. Two nodes are on the same side if balls about them that touch neither wall nor passage cover
//      the edge between them. Known sides spread from the untouched blocks; what is left gets one exact
//      question per component. A node in no ball wide enough (nearer to the wall than about a fifth of the
//      spacing) stays unproved and counts as outside, which only lowers the field.
//   4. Nodes. Signed squares in the layout that a look-up wants.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

#include "geometry/distance/distance_field.h"
#include "geometry/distance/face_packets.h"

namespace withy {

class FieldFill {
 public:
  FieldFill(std::shared_ptr<const WallDistance> wall, double spacing_mm, double band_mm);
  std::shared_ptr<const DistanceField> run();

 private:
  static constexpr int kOwn = kBlockCells * kBlockCells * kBlockCells;  // nodes that a block owns
  static constexpr int kNone = -1;
  enum class BlockSide : unsigned char { unsettled, touched, inside, outside };
  enum class Side : unsigned char { unproved, inside, outside };

  struct Kept {
    std::array<int, 3> at;         // place in the grid of blocks
    std::array<int, 6> neighbour;  // kept block towards -x, +x, -y, +y, -z, +z, or kNone
    int passage = kNone;           // place in passage_distance_, for blocks near a passage
  };

  void lay_grid();
  void mark_touched();
  void settle_untouched();
  void keep_blocks();
  void measure_blocks();
  void spread_known_sides();
  void ask_remaining_sides();
  void spread(std::vector<int>& front, Side side);
  void assemble();
  void assemble_block(std::size_t kept);
  std::int16_t step_of(Side side, double distance, double away) const;

  int block_index(const std::array<int, 3>& at) const;
  FloatBox block_box(const std::array<int, 3>& at, int first, int last) const;
  Eigen::Vector3d node_point(int node) const;
  int neighbour_node(int node, int direction) const;
  bool joined(int node, int other) const;
  double reach_of(int node) const;
  double passage_reach_of(int node) const;

  std::shared_ptr<const WallDistance> wall_;
  double spacing_;
  double band_;
  float rounding_ = 0.0F;
  std::array<int, 3> count_{};
  std::array<float, 3> origin_{};
  FacePackets faces_;
  FacePackets passages_;
  FloatBox passage_box_{};
  std::vector<BlockSide> block_side_;
  std::vector<int> kept_of_;  // by block
  std::vector<Kept> kept_;
  std::vector<float> distance_;  // kOwn to a kept block; the measured value, within rounding_ of the truth
  std::vector<std::int32_t> face_;
  std::vector<float> passage_distance_;  // kOwn to a block near a passage
  std::vector<Side> side_;
  std::shared_ptr<DistanceField> field_;
};

}  // namespace withy
