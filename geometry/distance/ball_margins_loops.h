// SPDX-License-Identifier: GPL-3.0-or-later
// Source of the two builds of the loop in geometry/distance/ball_margins.h; included by them and by nothing
// else.
#pragma once

#include "geometry/distance/ball_margins.h"
#include "geometry/distance/lanes.h"

namespace withy::WITHY_LANES_NAMESPACE {
namespace {

constexpr float kFar = 1e30F;

/// Coordinates past the grid are moved this far within its outermost cells, which are not kept.
constexpr float kWithinCells = 0.01F;

/// a + t (b - a)
WITHY_LANES_INLINE Floats between(Floats a, Floats b, Floats t) {
  return multiply_add(t, b - a, a);
}

/// What of the field's view stays the same from one point to the next, ready for use.
struct Grid {
  const std::int16_t* quads;
  const std::int32_t* offset;
  Floats per_cell;   // cells to a mm
  Floats shift[3];   // of the origin, in cells, negative
  Floats most[3];    // largest coordinate, in cells
  Ints row, layer;   // blocks
  Floats square;     // mm^2 to one step times kPlacesInCell
  Floats cell_area;  // h^2

  WITHY_LANES_INLINE explicit Grid(const FieldView& view)
      : quads(view.quads),
        offset(view.offset),
        per_cell(all(1.0F / view.spacing)),
        row(all(view.count[0])),
        layer(all(view.count[0] * view.count[1])),
        square(all(view.square_step / static_cast<float>(kPlacesInCell))),
        cell_area(all(view.spacing * view.spacing)) {
    for (int k = 0; k < 3; ++k) {
      shift[k] = all(-view.origin[k] / view.spacing);
      most[k] = all(static_cast<float>(kBlockCells * view.count[k]) - kWithinCells);
    }
  }
};

/// Points on the way from where they are to what the field says of them. The work is cut in two loops, each
/// with a short chain of dependent steps, so that the processor overlaps many points; a chunk's arrays stay
/// in its nearest cache.
constexpr std::int32_t kChunk = 16 * kLanes;
struct alignas(32) Chunk {
  std::int32_t block[kChunk];  // where to look up a block's offset
  std::int32_t quad[kChunk];   // the cell's place in the block
  std::int32_t place[kChunk];  // along x, counted in kPlacesInCell
  float y[kChunk], z[kChunk];  // place in the cell
  float spread[kChunk];        // -s^2, less what rounding may cost
};

WITHY_LANES_INLINE void find_cell(const Grid& grid, const Floats (&p)[3], Chunk& chunk, std::int32_t at) {
  const Floats one = all(1.0F);
  const Ints in_block = all(std::int32_t{kBlockCells - 1});
  Floats place[3];
  Ints block[3];
  Ints local[3];
  for (int k = 0; k < 3; ++k) {
    const Floats u = min(max(multiply_add(p[k], grid.per_cell, grid.shift[k]), all(0.0F)), grid.most[k]);
    const Ints cell = truncate(u);
    place[k] = u - to_floats(cell);
    block[k] = shift_right<3>(cell);
    local[k] = cell & in_block;
  }
  const Ints places = truncate(multiply_add(place[0], all(static_cast<float>(kPlacesInCell)), all(0.5F)));
  place[0] = to_floats(places) * all(1.0F / kPlacesInCell);
  Floats spread = all(-kSquareFloor);  // in cells
  for (int k = 0; k < 3; ++k) spread = multiply_add(place[k], place[k] - one, spread);
  const Ints column = shift_left<3>(local[1]) + local[0];
  store(chunk.block + at, block[2] * grid.layer + block[1] * grid.row + block[0]);
  store(chunk.quad + at, shift_left<3>(column) + column + local[2]);
  store(chunk.place + at, places);
  store(chunk.y + at, place[1]);
  store(chunk.z + at, place[2]);
  store(chunk.spread + at, spread * grid.cell_area);
}

/// The corners of eight cells, lerped along x: pairs of corners at (y, z) = (0, 0), (1, 0), (0, 1), (1, 1),
/// in steps times kPlacesInCell.
WITHY_LANES_INLINE void lerp_x(const Grid& grid, const Chunk& chunk, std::int32_t at, Floats (&lerped)[4]) {
  const auto corners = [&](std::int32_t i) {
    return grid.quads + static_cast<std::int64_t>(grid.offset[chunk.block[i]] + chunk.quad[i]) * kQuad;
  };
#if defined(__AVX2__) && defined(__FMA__)
  // Cells i and i + 4 in one register; then the 4 x 4 pairs of each half are transposed.
  const auto rows = [&](std::int32_t i) {
    const __m128i low = _mm_loadu_si128(reinterpret_cast<const __m128i*>(corners(at + i)));
    const __m128i high = _mm_loadu_si128(reinterpret_cast<const __m128i*>(corners(at + i + 4)));
    return _mm256_inserti128_si256(_mm256_castsi128_si256(low), high, 1);
  };
  const __m256i r0 = rows(0);
  const __m256i r1 = rows(1);
  const __m256i r2 = rows(2);
  const __m256i r3 = rows(3);
  const __m256i a = _mm256_unpacklo_epi32(r0, r1);
  const __m256i b = _mm256_unpackhi_epi32(r0, r1);
  const __m256i c = _mm256_unpacklo_epi32(r2, r3);
  const __m256i d = _mm256_unpackhi_epi32(r2, r3);
  // Weights of a pair: kPlacesInCell - place, place.
  const __m256i place = load(chunk.place + at).v;
  const __m256i weights = _mm256_add_epi32(_mm256_sub_epi32(_mm256_set1_epi32(kPlacesInCell), place),
                                           _mm256_slli_epi32(place, 16));
  const auto sum = [&](__m256i pairs) {
    return Floats{_mm256_cvtepi32_ps(_mm256_madd_epi16(pairs, weights))};
  };
  lerped[0] = sum(_mm256_unpacklo_epi64(a, c));
  lerped[1] = sum(_mm256_unpackhi_epi64(a, c));
  lerped[2] = sum(_mm256_unpacklo_epi64(b, d));
  lerped[3] = sum(_mm256_unpackhi_epi64(b, d));
#else
  for (int i = 0; i < kLanes; ++i) {
    const std::int16_t* corner = corners(at + i);
    const std::int32_t place = chunk.place[at + i];
    for (int k = 0; k < 4; ++k)
      lerped[k].v[i] =
          static_cast<float>(corner[2 * k] * (kPlacesInCell - place) + corner[2 * k + 1] * place);
  }
#endif
}

/// The field's lower bound at eight points of a chunk (geometry/distance/distance_field.h).
WITHY_LANES_INLINE Floats lower_bound(const Grid& grid, const Chunk& chunk, std::int32_t at) {
  Floats lerped[4];
  lerp_x(grid, chunk, at, lerped);
  const Floats y = load(chunk.y + at);
  const Floats value =
      between(between(lerped[0], lerped[1], y), between(lerped[2], lerped[3], y), load(chunk.z + at));
  const Floats square = multiply_add(value, grid.square, load(chunk.spread + at));
  return with_sign_of(square_root(max(square, square * all(-2.0F))), square);
}

struct Least {
  Floats value = all(kFar);
  Ints whose = all(std::int32_t{-1});

  WITHY_LANES_INLINE void look_at(Floats candidate, Ints index) {
    whose = select(candidate < value, index, whose);
    value = min(candidate, value);
  }

  /// The least of all lanes, and whose it is.
  WITHY_LANES_INLINE void settle(float& margin, std::int32_t& ball) const {
    const Floats lowest = least(value);
    alignas(32) float values[kLanes];
    alignas(32) std::int32_t indices[kLanes];
    store(values, lowest);
    store(indices, whose);
    margin = values[0];
    ball = indices[__builtin_ctz(bits(value <= lowest))];
  }
};

WITHY_LANES_INLINE void margins(const FieldView& view, const Balls& balls, float* lower, BallMargins& found) {
  const Grid grid(view);
  const Floats zero = all(0.0F);
  Least nearest;
  Least deepest;
  Chunk chunk;
  std::int32_t first[kChunk / kLanes];  // of the balls that a chunk's eights are
  for (std::int32_t begin = 0; begin < balls.count; begin += kChunk) {
    const std::int32_t end = begin + kChunk < balls.count ? begin + kChunk : balls.count;
    std::int32_t eights = 0;
    for (std::int32_t j = begin; j < end; j += kLanes) {
      const Floats p[3] = {load(balls.x + j), load(balls.y + j), load(balls.z + j)};
      if (!any(zero < p[2] + load(balls.slack + j))) continue;
      find_cell(grid, p, chunk, kLanes * eights);
      first[eights++] = j;
    }
    for (std::int32_t i = 0; i < eights; ++i) {
      const std::int32_t j = first[i];
      const Floats bound = lower_bound(grid, chunk, kLanes * i);
      store(lower + j, bound);
      const Floats z = load(balls.z + j);
      const Floats slack = load(balls.slack + j);
      const Floats margin = bound - load(balls.radius + j);
      const Ints index = counting_from(j);
      nearest.look_at(select(zero < z + slack, margin - slack, all(kFar)), index);
      deepest.look_at(select(slack < z, margin + slack, all(kFar)), index);
    }
  }
  nearest.settle(found.least, found.worst);
  deepest.settle(found.deepest, found.suspect);
}

}  // namespace
}  // namespace withy::WITHY_LANES_NAMESPACE
