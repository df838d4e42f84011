// SPDX-License-Identifier: GPL-3.0-or-later
// Distances from the nodes of one block to the nearest face, coarse to fine.
//
// If a centre c is at distance d(c) from the wall, no point of a cell of half diagonal rho about it is
// farther than d(c) + rho. So the triangle nearest to any point of the cell lies within d(c) + rho of the
// cell: all others are dropped, from the block (8^3 nodes) to its 4^3 to its 2^3, where the eight nodes are
// measured side by side.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "geometry/face_packets.h"

namespace withy {

/// Keeps its lists from one block to the next.
class BlockMeasure {
 public:
  /// For the 8^3 nodes at `corner` + spacing (i, j, k), x fastest: the distance to the nearest of `faces`, or
  /// `most` where none is nearer, and that face's index in the mesh (kNoFace where none is).
  void run(const FacePackets& faces, const std::array<float, 3>& corner, float spacing, float most,
           float* distance, std::int32_t* face);

 private:
  void run_half(const FacePackets& faces, const std::array<float, 3>& corner, const std::array<int, 3>& first,
                float spacing, float most, float bound, float* distance, std::int32_t* face);

  PacketList block_, half_, cell_;
  std::vector<std::uint32_t> scratch_;
  float room_ = 0.0F;  // rounding of distances, which bounds must allow for
};

}  // namespace withy
