// SPDX-License-Identifier: GPL-3.0-or-later
// The distance field's memory as the vector loops see it, and the loops. Plain data only.
#pragma once

#include <cstddef>
#include <cstdint>

namespace withy {

/// Cells along a block's edge, and the nodes that makes: faces shared by two blocks are kept by both, so that
/// a cell's corners always stand together.
inline constexpr int kBlockCells = 8;
inline constexpr int kBlockEdge = kBlockCells + 1;
inline constexpr int kBlockNodes = kBlockEdge * kBlockEdge * kBlockEdge;

/// Node values of marked nodes (mm^2): nothing is known.
inline constexpr float kUnknownSquare = -1e12F;
/// Node values of blocks that are not kept: outside, nobody measured how far.
inline constexpr float kOutsideSquare = -1e6F;
/// Named as the nearest face where the wall is farther than the field's band.
inline constexpr std::int32_t kNoFace = 0x7fffffff;

/// A lower bound below this (mm) says that nothing is known: below what kOutsideSquare makes.
inline constexpr float kUnknownBelow_mm = -1e4F;

// What single precision may do to V, with e = 2^-24 and G the largest |g| among a cell's corners: three
// rounds of a + t (b - a) lose at most 6 e G, and G <= (d + sqrt(3) h)^2 <= 2 d^2 + 6 h^2. So squares are
// kept smaller (inside; larger in size outside) by the factor kSquareRounding > 12 e, and the loops take
// kSquareFloor h^2, kSquareFloor > 36 e, off V.
inline constexpr double kSquareRounding = 4e-6;
inline constexpr float kSquareFloor = 4e-6F;
/// Rounding of a point's place in the grid, as a part of the grid's extent: three roundings of 2^-24.
inline constexpr float kPlaceRounding = 2e-7F;

struct FieldView {
  const float* nodes;  ///< node (i, j, k) of the block at `offset`: nodes[offset + (k * 9 + j) * 9 + i]
  const std::int32_t* offset;  ///< of block (i, j, k): offset[(k * count[1] + j) * count[0] + i]
  std::int32_t count[3];       ///< blocks; the outermost but the one at z = 0 are not kept
  float origin[3];             ///< of block (0, 0, 0), mm; origin[2] = 0
  float spacing;               ///< h, mm
  float rounding;              ///< how far single precision may misplace a point in the grid, mm
};

}  // namespace withy
