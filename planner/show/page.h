// SPDX-License-Identifier: GPL-3.0-or-later
// The page: one HTML file that shows plans for one scene and needs no network.
//
// It carries the plan files word for word, the wall as drawn, samples of every motion (motion_samples.h), and
// the bundled script that draws them (tools/page). Lengths in mm, vectors in the scene frame S, as in the
// plan file.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "geometry/channel/wall_distance.h"
#include "planner/elastic/follow_plan.h"
#include "planner/plan/answer.h"
#include "planner/scene/scene.h"
#include "planner/segment/design.h"
#include "planner/show/display_mesh.h"

namespace withy {

/// The elastic body along a plan, its bodies kept (FollowSettings::body_stations).
struct PageWay {
  std::string name;  ///< as shown beside the switch
  FollowedPlan followed;
};

/// One plan file and what it was made from.
struct PagePlan {
  std::string json;          ///< the plan file's text
  Design design;             ///< the segment it is for
  std::optional<Plan> plan;  ///< reached only
  /// Where there are any the page shows the first of them, the ideal body as an outline, and a switch.
  std::vector<PageWay> elastic = {};
};

/// Several plans are shown side by side. The references must outlive the call.
struct PageInput {
  const Scene& scene;
  const WallDistance& wall;
  const DisplayMesh& display;   ///< of the same channel
  std::vector<PagePlan> plans;  ///< one or more, all of `scene`
};

/// Why this build has no page, as a sentence with what to do about it; nothing when it has.
std::optional<std::string> page_missing();

/// The page's whole text. Preconditions: page_missing() is nothing; each plan's text is a plan file.
std::string page_html(const PageInput& input);

/// The page of `withy live`: all but its data, which it asks for. Precondition: page_missing() is nothing.
std::string live_page_html(const std::string& title);

}  // namespace withy
