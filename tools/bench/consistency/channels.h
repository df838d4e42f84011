// SPDX-License-Identifier: GPL-3.0-or-later
// Random small channels: tubes, tubes with a chamber or a ring, branches.
#pragma once

#include <random>
#include <vector>

#include "geometry/phantom/channel_maker.h"
#include "tools/bench/consistency/draft.h"

namespace withy::consistency {

/// Uniform and other draws from one generator; the standard library's distributions differ from one
/// implementation to the next, these don't.
class Chance {
 public:
  explicit Chance(std::uint64_t seed) : random_(seed) {}
  double uniform(double low, double high) {
    return low + (high - low) * static_cast<double>(random_() >> 11) * 0x1p-53;
  }
  /// Uniform in the logarithm.
  double scaled(double low, double high);
  bool one_in(double chance) { return uniform(0.0, 1.0) < chance; }
  int whole(int low, int high) {
    return low + static_cast<int>(random_() % static_cast<std::uint64_t>(high - low + 1));
  }
  Eigen::Isometry3d pose(double farthest_mm);  ///< any turn, and a move in a box
  std::uint64_t seed() { return random_(); }

 private:
  std::mt19937_64 random_;
};

enum class ChannelKind { tube, chamber, ring, branch };
enum class Rim { flat, behind, fine };

/// A channel and the size of the bodies that suit it. S and E share their axes; E may stand further in.
struct RandomChannel {
  ChannelKind kind = ChannelKind::tube;
  Rim rim = Rim::flat;  ///< at the entry plane; behind it; or of faces so small that some past it are opening
  TriangleMesh mesh_S;
  Outlets outlets = Outlets::closed;
  bool open_far_ends = false;  ///< holes, not flat faces
  Entry entry;
  std::vector<TubeTree::Tube> tubes;  ///< their middle lines and radii, in S
  double body_radius_mm = 0.0;
  double body_length_mm = 0.0;
  double required_clearance_mm = 0.0;
};

/// Tries until a recipe makes a channel.
RandomChannel random_channel(Chance& chance);

const char* name_of(ChannelKind kind);
const char* name_of(Rim rim);

}  // namespace withy::consistency
