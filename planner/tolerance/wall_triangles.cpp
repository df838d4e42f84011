// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/wall_triangles.h"

#include <algorithm>
#include <cmath>

#include <Eigen/Geometry>

namespace withy {
namespace {

constexpr double kBlock_mm = 4.0;

/// The point of the edge from a to b nearest to p.
Eigen::Vector3d nearest_on_edge(const Eigen::Vector3d& a, const Eigen::Vector3d& b,
                                const Eigen::Vector3d& p) {
  const Eigen::Vector3d along = b - a;
  const double square = along.squaredNorm();
  return square > 0.0 ? Eigen::Vector3d(a + std::clamp((p - a).dot(along) / square, 0.0, 1.0) * along) : a;
}

}  // namespace

Eigen::Vector3d nearest_on(const WallTriangle& triangle, const Eigen::Vector3d& p) {
  const auto& [a, b, c] = triangle;
  const Eigen::Vector3d normal = (b - a).cross(c - a);
  const double square = normal.squaredNorm();
  const auto beside = [&](const Eigen::Vector3d& from, const Eigen::Vector3d& to) {
    return (to - from).cross(p - from).dot(normal) >= 0.0;
  };
  if (square > 0.0 && beside(a, b) && beside(b, c) && beside(c, a))
    return p - (p - a).dot(normal) / square * normal;
  Eigen::Vector3d best = nearest_on_edge(a, b, p);
  for (const Eigen::Vector3d& q : {nearest_on_edge(b, c, p), nearest_on_edge(c, a, p)})
    if ((q - p).squaredNorm() < (best - p).squaredNorm()) best = q;
  return best;
}

WallTriangles::WallTriangles(const Channel& channel) {
  for (std::size_t f = 0; f < channel.role.size(); ++f) {
    if (channel.role[f] != FaceRole::wall) continue;
    Eigen::AlignedBox3d box;
    WallTriangle triangle;
    for (std::size_t k = 0; k < 3; ++k) {
      const auto vertex = static_cast<std::size_t>(channel.mesh_E.triangles[f][k]);
      triangle[k] = Eigen::Vector3d(channel.mesh_E.vertices[vertex]);
      box.extend(triangle[k]);
    }
    const auto index = static_cast<std::uint32_t>(triangles_.size());
    triangles_.push_back(triangle);
    const Block low = block_of(box.min().array());
    const Block high = block_of(box.max().array());
    lowest_.push_back(low);
    for (int i = low[0]; i <= high[0]; ++i)
      for (int j = low[1]; j <= high[1]; ++j)
        for (int k = low[2]; k <= high[2]; ++k) blocks_[key({i, j, k})].push_back(index);
  }
}

WallTriangles::Block WallTriangles::block_of(const Eigen::Array3d& p) {
  Block block;
  for (int k = 0; k < 3; ++k)
    block[static_cast<std::size_t>(k)] = static_cast<int>(std::floor(p[k] / kBlock_mm));
  return block;
}

std::uint64_t WallTriangles::key(const Block& block) {
  constexpr std::uint64_t kBits = 21;
  std::uint64_t key = 0;
  for (const int k : block) key = (key << kBits) | (static_cast<std::uint64_t>(k) & ((1ULL << kBits) - 1));
  return key;
}

}  // namespace withy
