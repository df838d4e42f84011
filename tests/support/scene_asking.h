// SPDX-License-Identifier: GPL-3.0-or-later
// What the checker of certificates reads of a scene, for a question that no scene file asks.
#pragma once

#include "planner/scene/scene.h"
#include "planner/search/problem.h"

namespace withy::testing {

/// The question's frame is the scene's.
inline Scene scene_asking(const SearchProblem& asked) {
  Scene scene;
  scene.sha256 = "scene";
  scene.mesh_sha256 = "mesh";
  scene.entry = asked.distance->exact().channel().entry;
  scene.target.point_S = asked.goal.point_E;
  scene.target.tolerance_mm = asked.goal.tolerance_mm;
  scene.target.direction_S = asked.goal.direction_E;
  scene.target.direction_tolerance_rad = asked.goal.direction_tolerance_rad;
  scene.required_clearance_mm = asked.required_clearance_mm;
  scene.parts = asked.design.parts();
  return scene;
}

}  // namespace withy::testing
