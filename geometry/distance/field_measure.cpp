// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/field_measure.h"

#include <algorithm>
#include <cmath>

#include "geometry/distance/distance_field_view.h"
#include "geometry/distance/lanes.h"

namespace withy {
namespace {

constexpr float kHalfDiagonal = 0.8660255F;  // sqrt(3) / 2, rounded up

/// The eight points corner + first + step (i, j, k), i, j, k in {0, 1}, x fastest.
void place(PointGroup& group, const std::array<float, 3>& first, float step) {
  for (int i = 0; i < kLanes; ++i) {
    group.x[i] = first[0] + step * static_cast<float>(i & 1);
    group.y[i] = first[1] + step * static_cast<float>(i >> 1 & 1);
    group.z[i] = first[2] + step * static_cast<float>(i >> 2 & 1);
    group.slot[i] = -1;
  }
}

/// The corner of sub-cell i of a cell at `corner`, sub-cells `edge` apart.
std::array<float, 3> sub_corner(const std::array<float, 3>& corner, float edge, int i) {
  return {corner[0] + edge * static_cast<float>(i & 1), corner[1] + edge * static_cast<float>(i >> 1 & 1),
          corner[2] + edge * static_cast<float>(i >> 2 & 1)};
}

FloatBox cube(const std::array<float, 3>& corner, float edge) {
  return {corner[0], corner[1], corner[2], corner[0] + edge, corner[1] + edge, corner[2] + edge};
}

std::array<float, 3> shifted(const std::array<float, 3>& corner, float by) {
  return {corner[0] + by, corner[1] + by, corner[2] + by};
}

}  // namespace

void BlockMeasure::run(const FacePackets& faces, const std::array<float, 3>& corner, float spacing,
                       float most, float* distance, std::int32_t* face) {
  const FloatBox whole = cube(corner, 7.0F * spacing);
  const auto size = [](float a, float b) { return std::abs(a) < std::abs(b); };
  room_ = faces.rounding_mm(std::abs(*std::max_element(whole.begin(), whole.end(), size)));
  // Centres of the eight halves of the block, each of 4^3 nodes, three spacings wide.
  PointGroup centre;
  place(centre, shifted(corner, 1.5F * spacing), 4.0F * spacing);
  const float rho = 3.0F * kHalfDiagonal * spacing;
  std::fill(std::begin(centre.distance), std::end(centre.distance), most + rho);
  faces.nearest_of_all(centre);
  float farthest = 0.0F;
  for (float& d : centre.distance) {
    d = std::min(most, d + rho + room_);
    farthest = std::max(farthest, d);
  }
  faces.collect(whole, farthest, block_);
  for (int i = 0; i < kLanes; ++i) {
    const std::array<int, 3> first = {4 * (i & 1), 4 * (i >> 1 & 1), 4 * (i >> 2 & 1)};
    run_half(faces, sub_corner(corner, 4.0F * spacing, i), first, spacing, most, centre.distance[i],
             centre.slot[i], distance, face);
  }
}

/// `bound` is no less than the distance of any of the half's nodes, or is `most`; `guess` the slot to try
/// first.
void BlockMeasure::run_half(const FacePackets& faces, const std::array<float, 3>& corner,
                            const std::array<int, 3>& first, float spacing, float most, float bound,
                            std::int32_t guess, float* distance, std::int32_t* face) {
  const float rho_half = 3.0F * kHalfDiagonal * spacing;
  FacePackets::narrow(block_, shifted(corner, 1.5F * spacing), bound + rho_half + room_, half_, scratch_);
  // Centres of the eight cells, each of 2^3 nodes.
  PointGroup centre;
  place(centre, shifted(corner, 0.5F * spacing), 2.0F * spacing);
  const float rho = kHalfDiagonal * spacing;
  std::fill(std::begin(centre.distance), std::end(centre.distance), bound + rho);
  faces.measure(guess, centre);
  faces.nearest(half_, centre);
  for (int i = 0; i < kLanes; ++i) {
    const std::array<float, 3> at = sub_corner(corner, 2.0F * spacing, i);
    PointGroup node;
    place(node, at, spacing);
    std::fill(std::begin(node.distance), std::end(node.distance),
              std::min(most, centre.distance[i] + rho + room_));
    faces.measure(centre.slot[i], node);
    const float reach = *std::max_element(std::begin(node.distance), std::end(node.distance)) + rho + room_;
    FacePackets::narrow(half_, shifted(at, 0.5F * spacing), reach, cell_, scratch_);
    faces.nearest(cell_, node);
    for (int n = 0; n < kLanes; ++n) {
      const int x = first[0] + 2 * (i & 1) + (n & 1);
      const int y = first[1] + 2 * (i >> 1 & 1) + (n >> 1 & 1);
      const int z = first[2] + 2 * (i >> 2 & 1) + (n >> 2 & 1);
      const auto to = static_cast<std::size_t>((z * kBlockCells + y) * kBlockCells + x);
      distance[to] = node.distance[n];
      face[to] = node.slot[n] < 0 ? kNoFace : faces.face(node.slot[n]);
    }
  }
}

}  // namespace withy
