// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/passage.h"

#include <algorithm>

namespace withy {

bool is_passage(const Channel& channel, std::size_t face) {
  if (channel.role[face] == FaceRole::wall) return false;
  const auto& t = channel.mesh_E.triangles[face];
  return std::any_of(t.begin(), t.end(), [&](int v) {
    return channel.mesh_E.vertices[static_cast<std::size_t>(v)].z() > kEntryPlaneContact_mm;
  });
}

}  // namespace withy
