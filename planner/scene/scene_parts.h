// SPDX-License-Identifier: GPL-3.0-or-later
// The two steps of reading a scene: what its tables say, then whether the values make sense. Used by
// scene.cpp only.
#pragma once

#include <Eigen/Core>

#include "planner/files/toml_reader.h"
#include "planner/scene/scene.h"

namespace withy {

/// The entry as the file has it: its axes are still to be normalised. And the names of places (places.h),
/// empty where the file gives numbers.
struct EntryAsWritten {
  std::string entry_name;
  std::string target_name;
  Eigen::Vector3d point_S = Eigen::Vector3d::Zero();
  Eigen::Vector3d axis_S = Eigen::Vector3d::Zero();
  Eigen::Vector3d x_axis_S = Eigen::Vector3d::Zero();  ///< zero where an entry by name leaves it out
};

/// Fills `scene` (whose `file` is set) from the tables; unknown and missing keys and wrong types become
/// faults of `file`.
EntryAsWritten read_scene_tables(TomlFile& file, Scene& scene);

/// Judges the values, places the entry and normalises directions; what is out of range becomes a fault of
/// `file`. Precondition: read_scene_tables found no fault.
void check_scene_values(TomlFile& file, const EntryAsWritten& entry, Scene& scene);

/// Makes numbers of an entry's name: reads the scene's mesh. Faults of the name become faults of `file`.
void place_named_entry(TomlFile& file, Scene& scene, EntryAsWritten& entry);

/// The same of a target's name, once everything else of the scene stands.
Result<void> place_named_target(Scene& scene, const std::string& name);

}  // namespace withy
