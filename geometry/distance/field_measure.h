// SPDX-License-Identifier: GPL-3.0-or-later
// Distances from the nodes of one block to the nearest face, coarse to fine.
//
// If the centre c of a cell of half diagonal rho is at distance d(c) from the wall, no point of the cell is
// farther than d(c) + rho from it, so the triangle nearest to any of them lies within d(c) + 2 rho of c. All
// others are dropped, from the block (8^3 nodes) to its 4^3 to its 2^3, where the eight nodes are measured
// side by side. The triangle nearest to the centre of the larger cell is measured first: it is seldom far
// from the nearest, and with it at hand little else has to be measured.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "geometry/distance/face_packets.h"

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
                float spacing, float most, float bound, std::int32_t guess, float* distance,
                std::int32_t* face);

  PacketList block_, half_, cell_;
  std::vector<std::uint32_t> scratch_;
  float room_ = 0.0F;  // rounding of distances, which bounds must allow for
};

}  // namespace withy
