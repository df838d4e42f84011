// SPDX-License-Identifier: GPL-3.0-or-later
// The channel as the desk's JSON has it, and what it takes to enter it by another opening. Lengths in mm,
// vectors in the scene frame S.
#pragma once

#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "geometry/centreline/centreline.h"
#include "planner/live/live_scene.h"
#include "planner/live/scene_text.h"
#include "planner/show/display_mesh.h"

namespace withy {

/// Wall, openings and their place (page_facts.h). `display` is of the same channel, here and below.
nlohmann::ordered_json channel_json(const LiveScene& scene, const DisplayMesh& display);

/// Middle lines with the lumen's radius along them, and for each vertex of the wall that channel_json gives
/// ("vertices") the lumen's radius at the nearest point of a middle line: float32 in base64, "room_mm". The
/// room for a body is that less its radius and the required clearance.
nlohmann::ordered_json centreline_json(const LiveScene& scene, const DisplayMesh& display,
                                       const Centreline& centreline);

/// What to change in the scene so that the body goes in by that opening: the entry plane is the opening's
/// mean plane, moved in until no part of the rim lies past it; the section's x-axis stays as near as it can
/// to where it was. Precondition: there is such an opening.
std::vector<SceneChange> entry_at(const LiveScene& scene, std::size_t opening);

}  // namespace withy
