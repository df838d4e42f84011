// SPDX-License-Identifier: GPL-3.0-or-later
// The loops of geometry/distance/face_packets.h that run eight wide: one source, compiled for the machine at
// large and once more for AVX2. Plain data only, so that no inline function is shared between the two.
#pragma once

#include <cstddef>
#include <cstdint>

namespace withy {

/// One cache line. `normal` is a unit vector, or not a number for a sliver; `centre` and `radius` are those
/// of a circle round the triangle in its plane.
struct alignas(64) FlatTriangle {
  float a[3], b[3], c[3], normal[3];
  float centre[3], radius;
};

/// Eight points, the distance found so far and whose it is.
struct alignas(32) PointGroup {
  float x[8], y[8], z[8];
  float distance[8];     ///< to begin with: what counts as near enough to look for
  std::int32_t slot[8];  ///< of the nearest triangle, as the packets order them; negative: none so near
};

/// Discs, side by side: part[k][i] is part k of disc i, in the order centre x, y, z, unit normal x, y, z,
/// radius, half thickness; readable for kLanes - 1 discs past the end.
struct DiscArrays {
  const float* part[8];
  std::size_t count;
};

struct FacePacketsKernel {
  /// Writes to `found` the indices of discs within `reach` of `centre`; returns how many.
  std::size_t (*narrow)(const DiscArrays& discs, const float* centre, float reach, std::uint32_t* found);
  /// Lowers the group's distances to one triangle.
  void (*measure)(const FlatTriangle* triangles, std::int32_t slot, PointGroup& group);
  /// Lowers the group's distances to packets packet[i] (eight triangles each, the last one of the mesh maybe
  /// fewer) within discs[i].
  void (*nearest)(const FlatTriangle* triangles, std::size_t triangle_count, const std::uint32_t* packet,
                  const DiscArrays& discs, PointGroup& group);
};

extern const FacePacketsKernel kFacePacketsPortable;
#if defined(__x86_64__)
extern const FacePacketsKernel kFacePacketsAvx2;
#endif

}  // namespace withy
