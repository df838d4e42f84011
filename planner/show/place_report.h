// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy place` found: a sentence, a table and JSON, and a scene for each design.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "planner/scene/scene.h"
#include "planner/search/layouts/place_search.h"

namespace withy {

struct PlaceReport {
  const Scene& scene;
  std::string scene_file;  ///< as the command line gave it
  int locks = 1;
  double station_step_mm = 0.0;
  double clock_step_rad = 0.0;
  double required_clearance_mm = 0.0;
  PlaceResult result;
  double seconds = 0.0;
  bool partial = false;  ///< ended by an interrupt or a spent budget, with what had been found by then
};

/// Verdict of the grid: reached, proved that none of its layouts reaches, or neither.
Verdict verdict_of(const PlaceResult& result);

/// One sentence: the best clearance, or what is known of the grid when nothing reaches; never more than that.
std::string place_sentence(const PlaceReport& report);

/// A line for each design, best first.
std::string place_table(const PlaceReport& report);

/// Designs name their scenes by place_scene_name.
std::string place_json(const PlaceReport& report);

/// "place-1.toml" for the best design.
std::string place_scene_name(std::size_t rank);

/// The scene's text with this layout for its lock count, and that count in use; comments are lost. The mesh
/// is named as seen from `folder`, where the text is meant to be written. Errors: the scene's file can't be
/// read any more.
Result<std::string> scene_with_layout(const Scene& scene, const LockLayout& layout,
                                      const std::filesystem::path& folder);

}  // namespace withy
