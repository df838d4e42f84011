// SPDX-License-Identifier: GPL-3.0-or-later
// A scene round the wall of a lumen, ready to edit: what `withy scene` writes.
//
// First every uneven end of the wall is cut flat (geometry/repair/ends.h), so that the openings' numbers are
// those of the wall that is written, whichever of them is the entry.
//
// The entry is an opening of the wall by its number, the target a place by its name (planner/scene/places.h);
// both stand in the scene as numbers, with the name in a comment. The draft is a scene that `withy check`
// takes: wall, entry, target and hardware go through the same checks here.
//
// Units: mm. Frame: the wall's, which is the scene's.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include <tl/expected.hpp>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/wall_distance.h"
#include "geometry/repair/repair.h"
#include "planner/effort/effort.h"
#include "planner/scene/places.h"
#include "planner/scene/scene.h"

namespace withy {

struct DraftSettings {
  std::string title;
  std::string mesh_name;  ///< of the mesh beside the scene
  std::string entry = "opening:1";
  std::string target = "deepest";
  bool volume = false;   ///< the wall is that of a range of values, whose noise makes specks in the lumen
  bool has_unit = true;  ///< the input is a mesh, whose unit is --unit's
  bool body = false;     ///< the wall is that of the lumen in a body
  bool cropped = false;  ///< the box whose edges may cut the lumen is --crop's, not the volume's
  Effort effort = {};
};

struct SceneDraft {
  std::string toml;
  TriangleMesh mesh;  ///< the wall
  Scene scene;        ///< what `toml` says
  std::shared_ptr<const WallDistance> wall;
  Centreline centreline;
  std::vector<std::string> done;  ///< what was done to the wall and decided about the body, a sentence each
  std::string target_note = {};   ///< NamedPlace::note of the target
  double trimmed_mm = 0.0;        ///< the most that was cut off an uneven end
};

/// Problems in words of withy scene's options. Where the effort is cut short there is one whatever it says.
tl::expected<SceneDraft, PlaceProblem> draft_scene(Repaired given, DraftSettings settings);

}  // namespace withy
