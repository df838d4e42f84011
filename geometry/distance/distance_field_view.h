// SPDX-License-Identifier: GPL-3.0-or-later
// The distance field's memory as the vector loops see it. Plain data only.
//
// A block is 8 x 8 x 8 cells. Its nodes are kept as quads: quad (i, j, k) holds the four nodes (i, j, k),
// (i+1, j, k), (i, j+1, k), (i+1, j+1, k) as 16-bit steps of a square, quads of one column (i, j) standing
// together, k = 0 .. 8. So the eight corners of cell (i, j, k) are quads k and k + 1 of its column: sixteen
// bytes in a row, one load, and a cache line holds eight cells.
#pragma once

#include <cstddef>
#include <cstdint>

namespace withy {

/// Cells along a block's edge, and the nodes that makes: faces shared by two blocks are kept by both.
inline constexpr int kBlockCells = 8;
inline constexpr int kBlockEdge = kBlockCells + 1;
inline constexpr int kBlockNodes = kBlockEdge * kBlockEdge * kBlockEdge;
inline constexpr int kBlockQuads = kBlockCells * kBlockCells * kBlockEdge;
inline constexpr int kQuad = 4;

/// A node's value where nothing is known (next to a passage), and everywhere in blocks that are not kept.
inline constexpr std::int16_t kUnknownStep = -32768;
inline constexpr std::int32_t kLargestStep = 32767;

/// Named as the nearest face where the wall is farther than the field's band.
inline constexpr std::int32_t kNoFace = 0x7fffffff;

// What single precision may do to V, with e = 2^-24 and G the largest |g| among a cell's corners: three
// rounds of a + t (b - a) lose at most 6 e G, and G <= (d + sqrt(3) h)^2 <= 2 d^2 + 6 h^2. So squares are
// kept smaller (inside; larger in size outside) by the factor kSquareRounding > 12 e, and the loops take
// kSquareFloor h^2, kSquareFloor > 36 e, off V.
inline constexpr double kSquareRounding = 4e-6;
inline constexpr float kSquareFloor = 4e-6F;

/// The loops round a point's x in its cell to this part of a cell.
inline constexpr std::int32_t kPlacesInCell = 1 << 14;
/// Rounding of a point's place in the grid: three roundings of 2^-24 of the grid's extent, and half a place.
inline constexpr float kPlaceRounding = 2e-7F;

struct FieldView {
  const std::int16_t* quads;   ///< quad (i, j, k) of the block at `offset`: offset + (j * 8 + i) * 9 + k
  const std::int32_t* offset;  ///< of block (i, j, k): offset[(k * count[1] + j) * count[0] + i]
  std::int32_t count[3];       ///< blocks; the outermost but those at z = 0 are not kept
  float origin[3];             ///< of block (0, 0, 0), mm; origin[2] = 0
  float spacing;               ///< h, mm
  float square_step;           ///< mm^2 to one step of a node's value
  float rounding;              ///< how far single precision may misplace a point in the grid, mm
  float unknown_below;         ///< a lower bound below this (mm) says that nothing is known
};

}  // namespace withy
