// SPDX-License-Identifier: GPL-3.0-or-later
// The triangles of the channel's wall, found by where they are.
#pragma once

#include <array>
#include <cstdint>
#include <unordered_map>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/channel.h"

namespace withy {

using WallTriangle = std::array<Eigen::Vector3d, 3>;

/// The point of a triangle nearest to `p`: by the signs of barycentric coordinates (C. Ericson, "Real-Time
/// Collision Detection", 2005, section 5.1.5).
Eigen::Vector3d nearest_on(const WallTriangle& triangle, const Eigen::Vector3d& p);

class WallTriangles {
 public:
  /// Of the wall faces alone: openings are none.
  explicit WallTriangles(const Channel& channel);

  /// Calls `visit(triangle)` with every triangle that comes within `radius_mm` of `p`, and perhaps with
  /// others, each once.
  template <class Visit>
  void near(const Eigen::Vector3d& p, double radius_mm, Visit visit) const {
    const Block low = block_of(p.array() - radius_mm);
    const Block high = block_of(p.array() + radius_mm);
    for (int i = low[0]; i <= high[0]; ++i)
      for (int j = low[1]; j <= high[1]; ++j)
        for (int k = low[2]; k <= high[2]; ++k) {
          const auto found = blocks_.find(key({i, j, k}));
          if (found == blocks_.end()) continue;
          for (const std::uint32_t index : found->second) {
            // A triangle stands in several blocks; the first of them in the range has it.
            const Block& own = lowest_[index];
            if (std::max(own[0], low[0]) != i || std::max(own[1], low[1]) != j ||
                std::max(own[2], low[2]) != k)
              continue;
            visit(triangles_[index]);
          }
        }
  }

 private:
  using Block = std::array<int, 3>;
  static Block block_of(const Eigen::Array3d& p);
  static std::uint64_t key(const Block& block);

  std::vector<WallTriangle> triangles_;
  std::vector<Block> lowest_;
  std::unordered_map<std::uint64_t, std::vector<std::uint32_t>> blocks_;
};

}  // namespace withy
