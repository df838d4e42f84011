// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/distance_field.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "geometry/distance/lanes.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// From the node at a cell's first corner to those at its corners, x fastest, among a block's nodes.
constexpr std::array<int, 8> kCornerNode = {0,
                                            1,
                                            kBlockEdge,
                                            kBlockEdge + 1,
                                            kBlockEdge* kBlockEdge,
                                            kBlockEdge* kBlockEdge + 1,
                                            kBlockEdge* kBlockEdge + kBlockEdge,
                                            kBlockEdge* kBlockEdge + kBlockEdge + 1};

/// Points past the grid are moved this far (in cells) within its outermost blocks, which are not kept.
constexpr double kWithin = 0.01;

/// Double rounding of a distance measured at coordinates of some hundred mm (mm), with room.
constexpr double kDoubleRounding_mm = 1e-10;

}  // namespace

DistanceField::Cell DistanceField::cell_at(const Eigen::Vector3d& p_E) const {
  Cell cell;
  std::array<int, 3> block;
  std::array<int, 3> local;
  std::array<std::array<double, 2>, 3> part;  // weights along each axis
  const double h = view_.spacing;
  cell.spread2 = 0.0;
  for (std::size_t k = 0; k < 3; ++k) {
    const double most = kBlockCells * view_.count[k] - kWithin;
    const double place = (p_E[static_cast<Eigen::Index>(k)] - static_cast<double>(view_.origin[k])) / h;
    const double u = std::clamp(place, 0.0, most);
    const int i = static_cast<int>(u);
    const double t = u - i;
    block[k] = i / kBlockCells;
    local[k] = i % kBlockCells;
    part[k] = {1.0 - t, t};
    cell.spread2 += h * h * t * (1.0 - t);
  }
  const int at = (block[2] * view_.count[1] + block[1]) * view_.count[0] + block[0];
  const std::int32_t offset = offset_[static_cast<std::size_t>(at)];
  const int quad = offset + (local[1] * kBlockCells + local[0]) * kBlockEdge + local[2];
  const std::int16_t* step = &quads_[static_cast<std::size_t>(quad) * kQuad];
  cell.unknown = false;
  for (std::size_t i = 0; i < 8; ++i) {
    cell.square[i] = static_cast<double>(view_.square_step) * step[i];
    cell.weight[i] = part[0][i & 1U] * part[1][i >> 1U & 1U] * part[2][i >> 2U];
    cell.unknown = cell.unknown || step[i] == kUnknownStep;
  }
  const int node = (local[2] * kBlockEdge + local[1]) * kBlockEdge + local[0];
  cell.face = offset == 0 ? nullptr
                          : &face_[static_cast<std::size_t>(offset / kBlockQuads - 1) * kBlockNodes +
                                   static_cast<std::size_t>(node)];
  return cell;
}

double DistanceField::lower_in(const Cell& cell) {
  if (cell.unknown) return -kInfinity;
  double square = -cell.spread2;
  for (std::size_t i = 0; i < 8; ++i) square += cell.weight[i] * cell.square[i];
  return square > 0.0 ? std::sqrt(square) : -std::sqrt(-2.0 * square);
}

double DistanceField::nearest_face_in(const Cell& cell, const Eigen::Vector3d& p_E) const {
  const TriangleMesh& mesh = wall_->channel().mesh_E;
  double least2 = kInfinity;
  std::array<std::int32_t, 8> seen;
  std::size_t count = 0;
  for (const int corner : kCornerNode) {
    const std::int32_t kept = cell.face[corner];
    const std::int32_t face = kept < 0 ? ~kept : kept;
    if (face == kNoFace || std::find(seen.begin(), seen.begin() + count, face) != seen.begin() + count)
      continue;
    seen[count++] = face;
    const auto& t = mesh.triangles[static_cast<std::size_t>(face)];
    const auto vertex = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    least2 = std::min(least2, squared_distance_to_triangle(p_E, vertex(0), vertex(1), vertex(2)));
  }
  return std::sqrt(least2) + kDoubleRounding_mm;
}

/// sqrt(sum w_i d_i^2) + s, from what is kept of the nodes' distances: a step more than that, and the
/// rounding.
double DistanceField::quick_upper_in(const Cell& cell) const {
  if (cell.unknown) return kInfinity;
  const auto step = static_cast<double>(view_.square_step);
  // A node kept at the band, less its roundings down, may be anywhere beyond.
  const double cut = std::max(0.0, band_mm_ - 3.0 * node_rounding_mm_);
  double squares = 0.0;
  for (std::size_t i = 0; i < 8; ++i) {
    const double square = std::abs(cell.square[i]) + step;
    if (square * (1.0 + 3.0 * kSquareRounding) >= cut * cut) return kInfinity;
    squares += cell.weight[i] * square;
  }
  return std::sqrt(squares * (1.0 + 3.0 * kSquareRounding)) + 2.0 * node_rounding_mm_ +
         std::sqrt(cell.spread2);
}

double DistanceField::upper(const Eigen::Vector3d& p_E, double enough) const {
  const Cell cell = cell_at(p_E);
  if (cell.face == nullptr) return 0.5 * std::sqrt(3.0) * spacing_mm();
  const double quick = quick_upper_in(cell);
  return quick <= enough ? quick : at(p_E).upper;
}

double DistanceField::lower(const Eigen::Vector3d& p_E) const {
  return lower_in(cell_at(p_E));
}

double DistanceField::upper_distance(const Eigen::Vector3d& p_E) const {
  const Cell cell = cell_at(p_E);
  return cell.face == nullptr ? kInfinity : nearest_face_in(cell, {p_E.x(), p_E.y(), std::max(p_E.z(), 0.0)});
}

DistanceField::Bracket DistanceField::at(const Eigen::Vector3d& p_E) const {
  const Cell cell = cell_at(p_E);
  // Every corner of a block that is not kept is outside: x is either outside too, or cut off from the nearest
  // corner by the wall.
  if (cell.face == nullptr) return {-kInfinity, 0.5 * std::sqrt(3.0) * spacing_mm()};
  Bracket bracket;
  bracket.lower = lower_in(cell);
  // The mirror image of the lower bound, with every node whose sign is not proved taken for one inside.
  double square = -cell.spread2 - outside_rounding_mm2_;
  for (std::size_t i = 0; i < 8; ++i) {
    const double g = cell.square[i];
    square += cell.weight[i] * (cell.face[kCornerNode[i]] < 0 ? -std::abs(g) : -g);
  }
  bracket.upper =
      square > 0.0 ? -std::sqrt(square) : nearest_face_in(cell, {p_E.x(), p_E.y(), std::max(p_E.z(), 0.0)});
  return bracket;
}

double DistanceField::passage_distance(const Eigen::Vector3d& p_E, double most_mm) const {
  if (!passages_.may_be_within(p_E, most_mm)) return most_mm;
  PointGroup group;
  for (int i = 0; i < kLanes; ++i) {
    group.x[i] = static_cast<float>(p_E.x());
    group.y[i] = static_cast<float>(p_E.y());
    group.z[i] = static_cast<float>(p_E.z());
    group.distance[i] = static_cast<float>(most_mm);
    group.slot[i] = -1;
  }
  passages_.nearest_of_all(group);
  if (group.slot[0] < 0) return most_mm;
  const auto reach = static_cast<float>(p_E.cwiseAbs().maxCoeff());
  return static_cast<double>(group.distance[0]) - static_cast<double>(passages_.rounding_mm(reach));
}

std::size_t DistanceField::bytes() const {
  return quads_.size() * sizeof(std::int16_t) + face_.size() * sizeof(std::int32_t) +
         offset_.size() * sizeof(std::int32_t) + passages_.bytes();
}

}  // namespace withy
