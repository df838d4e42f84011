// SPDX-License-Identifier: GPL-3.0-or-later
// Source of the two builds of FacePacketsKernel: included by face_packets_portable.cpp and
// face_packets_avx2.cpp, and by nothing else.
#pragma once

#include "geometry/face_packets_kernel.h"
#include "geometry/lanes.h"

namespace withy::WITHY_LANES_NAMESPACE {
namespace {

/// Squared distance from eight points to one box.
WITHY_LANES_INLINE Floats squared_gap(const Floats p[3], const BoxArrays& boxes, std::size_t i) {
  const Floats zero = all(0.0F);
  Floats sum = zero;
  for (int k = 0; k < 3; ++k) {
    const Floats below = all(boxes.bound[k][i]) - p[k];
    const Floats above = p[k] - all(boxes.bound[k + 3][i]);
    const Floats gap = max(max(below, above), zero);
    sum = multiply_add(gap, gap, sum);
  }
  return sum;
}

std::size_t narrow(const BoxArrays& boxes, const float* low, const float* high, float reach2,
                   std::uint32_t* found) {
  const Floats zero = all(0.0F);
  const Floats limit = all(reach2);
  std::size_t n = 0;
  for (std::size_t i = 0; i < boxes.count; i += kLanes) {
    Floats sum = zero;
    for (int k = 0; k < 3; ++k) {
      const Floats below = load(boxes.bound[k] + i) - all(high[k]);
      const Floats above = all(low[k]) - load(boxes.bound[k + 3] + i);
      const Floats gap = max(max(below, above), zero);
      sum = multiply_add(gap, gap, sum);
    }
    for (std::uint32_t b = bits(sum <= limit); b != 0; b &= b - 1) {
      const auto at = static_cast<std::uint32_t>(i) + static_cast<std::uint32_t>(__builtin_ctz(b));
      if (at < boxes.count) found[n++] = at;
    }
  }
  return n;
}

/// Squared distance from eight points to one triangle: to the nearest of its three edges, or to its plane for
/// points whose foot lies within the three planes that stand on the edges.
WITHY_LANES_INLINE Floats squared_distance(const Floats p[3], const FlatTriangle& t) {
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

void nearest(const FlatTriangle* triangles, std::size_t triangle_count, const std::uint32_t* packet,
             const BoxArrays& boxes, PointGroup& group) {
  const Floats p[3] = {load(group.x), load(group.y), load(group.z)};
  Floats distance = load(group.distance);
  Floats square = distance * distance;
  Ints best = load(group.slot);
  for (std::size_t i = 0; i < boxes.count; ++i) {
    if (!any(squared_gap(p, boxes, i) < square)) continue;
    const std::size_t first = static_cast<std::size_t>(packet[i]) * kLanes;
    const std::size_t last = first + kLanes < triangle_count ? first + kLanes : triangle_count;
    for (std::size_t j = first; j < last; ++j) {
      const FlatTriangle& t = triangles[j];
      Floats squares = all(0.0F);
      for (int k = 0; k < 3; ++k) {
        const Floats offset = p[k] - all(t.centre[k]);
        squares = multiply_add(offset, offset, squares);
      }
      const Floats reach = distance + all(t.radius);
      if (!any(squares < reach * reach)) continue;
      const Floats found = squared_distance(p, t);
      const Mask nearer = found < square;
      if (!any(nearer)) continue;
      square = select(nearer, found, square);
      distance = square_root(square);
      best = select(nearer, all(static_cast<std::int32_t>(j)), best);
    }
  }
  store(group.distance, distance);
  store(group.slot, best);
}

}  // namespace
}  // namespace withy::WITHY_LANES_NAMESPACE
