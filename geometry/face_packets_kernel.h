// SPDX-License-Identifier: GPL-3.0-or-later
// The loops of geometry/face_packets.h that run eight wide: one source, compiled for the machine at large and
// once more for AVX2. Plain data only, so that no inline function is shared between the two.
#pragma once

#include <cstddef>
#include <cstdint>

namespace withy {

/// One cache line. `normal` is a unit vector; not-a-number for a sliver.
struct alignas(64) FlatTriangle {
  float a[3], b[3], c[3], normal[3];
  float centre[3], radius;  // of a ball round the triangle
};

/// Eight points, the distance found so far and whose it is.
struct alignas(32) PointGroup {
  float x[8], y[8], z[8];
  float distance[8];     ///< to begin with: what counts as near enough to look for
  std::int32_t slot[8];  ///< of the nearest triangle, as the packets order them; negative: none so near
};

/// bound[k][i] is bound k (lower x, y, z, upper x, y, z) of box i; readable for kLanes - 1 boxes past the
/// end.
struct BoxArrays {
  const float* bound[6];
  std::size_t count;
};

struct FacePacketsKernel {
  /// Writes to `found` the indices i of boxes within sqrt(reach2) of the box [low, high]; returns how many.
  std::size_t (*narrow)(const BoxArrays& boxes, const float* low, const float* high, float reach2,
                        std::uint32_t* found);
  /// Measures packets packet[i] (eight triangles each, the last one of the mesh maybe fewer) in boxes[i].
  void (*nearest)(const FlatTriangle* triangles, std::size_t triangle_count, const std::uint32_t* packet,
                  const BoxArrays& boxes, PointGroup& group);
};

extern const FacePacketsKernel kFacePacketsPortable;
#if defined(__x86_64__)
extern const FacePacketsKernel kFacePacketsAvx2;
#endif

}  // namespace withy
