// SPDX-License-Identifier: GPL-3.0-or-later
// Source of the two builds of FacePacketsKernel: included by face_packets_portable.cpp and
// face_packets_avx2.cpp, and by nothing else.
#pragma once

#include "geometry/distance/face_packets_kernel.h"
#include "geometry/distance/lanes.h"

namespace withy::WITHY_LANES_NAMESPACE {
namespace {

/// Squared lower bound of the distance to a disc: as far as its flat sides along the normal, and as far as
/// its rim across.
WITHY_LANES_INLINE Floats squared_gap(const Floats (&offset)[3], const Floats (&normal)[3], Floats radius,
                                      Floats half) {
  const Floats zero = all(0.0F);
  Floats squares = zero;
  Floats height = zero;
  for (int k = 0; k < 3; ++k) {
    squares = multiply_add(offset[k], offset[k], squares);
    height = multiply_add(offset[k], normal[k], height);
  }
  const Floats across = square_root(max(multiply_subtract_from(height, height, squares), zero));
  const Floats past_rim = max(across - radius, zero);
  const Floats past_side = max(max(height, zero - height) - half, zero);
  return multiply_add(past_rim, past_rim, past_side * past_side);
}

std::size_t narrow(const DiscArrays& discs, const float* centre, float reach, std::uint32_t* found) {
  const Floats limit = all(reach * reach);
  std::size_t n = 0;
  for (std::size_t i = 0; i < discs.count; i += kLanes) {
    Floats offset[3];
    Floats normal[3];
    for (int k = 0; k < 3; ++k) {
      offset[k] = all(centre[k]) - load(discs.part[k] + i);
      normal[k] = load(discs.part[k + 3] + i);
    }
    const Floats gap2 = squared_gap(offset, normal, load(discs.part[6] + i), load(discs.part[7] + i));
    for (std::uint32_t b = bits(gap2 <= limit); b != 0; b &= b - 1) {
      const auto at = static_cast<std::uint32_t>(i) + static_cast<std::uint32_t>(__builtin_ctz(b));
      if (at < discs.count) found[n++] = at;
    }
  }
  return n;
}

/// Squared distance from eight points to one triangle: to the nearest of its three edges, or to its plane for
/// points whose foot lies within the three planes that stand on the edges.
WITHY_LANES_INLINE Floats squared_distance(const Floats (&p)[3], const FlatTriangle& t) {
  const float* corner[4] = {t.a, t.b, t.c, t.a};
  const Floats zero = all(0.0F);
  const Floats one = all(1.0F);
  Floats least = zero;
  Floats beyond = all(-1.0F);  // greatest of the in-plane offsets past an edge
  Floats height = zero;
  for (int e = 0; e < 3; ++e) {
    const float* a = corner[e];
    const float* b = corner[e + 1];
    const float edge[3] = {b[0] - a[0], b[1] - a[1], b[2] - a[2]};
    const float out[3] = {edge[1] * t.normal[2] - edge[2] * t.normal[1],
                          edge[2] * t.normal[0] - edge[0] * t.normal[2],
                          edge[0] * t.normal[1] - edge[1] * t.normal[0]};
    const float length2 = edge[0] * edge[0] + edge[1] * edge[1] + edge[2] * edge[2];
    const float inverse = length2 > 0.0F ? 1.0F / length2 : 0.0F;
    Floats from[3];
    Floats along = zero;
    Floats past = zero;
    for (int k = 0; k < 3; ++k) {
      from[k] = p[k] - all(a[k]);
      along = multiply_add(from[k], all(edge[k]), along);
      past = multiply_add(from[k], all(out[k]), past);
      if (e == 0) height = multiply_add(from[k], all(t.normal[k]), height);
    }
    const Floats fraction = min(max(along * all(inverse), zero), one);
    Floats squares = zero;
    for (int k = 0; k < 3; ++k) {
      const Floats rest = multiply_subtract_from(fraction, all(edge[k]), from[k]);
      squares = multiply_add(rest, rest, squares);
    }
    least = e == 0 ? squares : min(least, squares);
    beyond = e == 0 ? past : max(past, beyond);
  }
  // A sliver's normal, and with it `beyond`, is not a number, and compares false. (max returns its second
  // operand then, which is not a number either.)
  return select(beyond <= zero, height * height, least);
}

/// Eight points and what is nearest to them so far, in registers.
struct Search {
  Floats p[3];
  Floats distance;
  Floats square;
  Ints slot;

  WITHY_LANES_INLINE explicit Search(const PointGroup& group)
      : p{load(group.x), load(group.y), load(group.z)},
        distance(load(group.distance)),
        square(distance * distance),
        slot(load(group.slot)) {}

  WITHY_LANES_INLINE void keep(PointGroup& group) const {
    store(group.distance, distance);
    store(group.slot, slot);
  }

  WITHY_LANES_INLINE void measure(const FlatTriangle& triangle, std::int32_t which) {
    const Floats found = squared_distance(p, triangle);
    const Mask nearer = found < square;
    if (!any(nearer)) return;
    square = select(nearer, found, square);
    distance = square_root(square);
    slot = select(nearer, all(which), slot);
  }

  /// Can none of the points have its nearest triangle in this disc? Not a number in, no out.
  WITHY_LANES_INLINE bool out_of_reach(const float* centre, const float* normal, float radius,
                                       float half) const {
    const Floats offset[3] = {p[0] - all(centre[0]), p[1] - all(centre[1]), p[2] - all(centre[2])};
    const Floats normals[3] = {all(normal[0]), all(normal[1]), all(normal[2])};
    constexpr std::uint32_t kEvery = (1U << kLanes) - 1U;
    return bits(square <= squared_gap(offset, normals, all(radius), all(half))) == kEvery;
  }
};

void measure(const FlatTriangle* triangles, std::int32_t slot, PointGroup& group) {
  Search search(group);
  search.measure(triangles[slot], slot);
  search.keep(group);
}

void nearest(const FlatTriangle* triangles, std::size_t triangle_count, const std::uint32_t* packet,
             const DiscArrays& discs, PointGroup& group) {
  Search search(group);
  for (std::size_t i = 0; i < discs.count; ++i) {
    const float centre[3] = {discs.part[0][i], discs.part[1][i], discs.part[2][i]};
    const float normal[3] = {discs.part[3][i], discs.part[4][i], discs.part[5][i]};
    if (search.out_of_reach(centre, normal, discs.part[6][i], discs.part[7][i])) continue;
    const std::size_t first = static_cast<std::size_t>(packet[i]) * kLanes;
    const std::size_t last = first + kLanes < triangle_count ? first + kLanes : triangle_count;
    for (std::size_t j = first; j < last; ++j) {
      const FlatTriangle& t = triangles[j];
      if (search.out_of_reach(t.centre, t.normal, t.radius, 0.0F)) continue;
      search.measure(t, static_cast<std::int32_t>(j));
    }
  }
  search.keep(group);
}

}  // namespace
}  // namespace withy::WITHY_LANES_NAMESPACE
