// SPDX-License-Identifier: GPL-3.0-or-later
// What a page is told of scene, channel and segment, as JSON: what tools/page/src/data.ts names SceneFacts,
// ChannelFacts and Design. Lengths in mm, angles of clockings in rad, vectors in the scene frame S. Arrays of
// many numbers are little-endian float32 or uint32 in base64 (RFC 4648).
#pragma once

#include <string>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "planner/scene/scene.h"
#include "planner/segment/design.h"
#include "planner/show/display_mesh.h"

namespace withy {

nlohmann::ordered_json scene_facts(const Scene& scene);

/// `display` is of the same channel.
nlohmann::ordered_json channel_facts(const Channel& channel, const DisplayMesh& display);

nlohmann::ordered_json design_facts(const Design& design);

/// Numbers as a page reads many of them.
std::string base64_of(const std::vector<float>& values);

}  // namespace withy
