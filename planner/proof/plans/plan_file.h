// SPDX-License-Identifier: GPL-3.0-or-later
// A plan file as the checker reads it: what is needed to check it, and nothing the planner has read for it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "planner/files/input_error.h"

namespace withy::recheck {

struct FileRegion {
  double from_mm = 0.0;
  double to_mm = 0.0;
  Eigen::Vector2d curvature_per_mm = Eigen::Vector2d::Zero();
};

struct FileState {
  double insertion_mm = 0.0;
  std::vector<bool> locked;
  std::vector<FileRegion> regions;
  std::vector<double> pull_mm;
  std::vector<double> tension_N;
  std::vector<double> lock_moment_Nmm;
  Eigen::Vector3d tip_S = Eigen::Vector3d::Zero();
};

/// The sweep of a lock action.
struct FileHunt {
  std::string shape;
  double radius_mm = 0.0;
  int turns = 0;
  int corners_per_turn = 0;
  double spacing_mm = 0.0;
  bool made = false;
};

struct FileAction {
  std::string kind;
  bool on_the_way_in = true;
  std::size_t from = 0;
  std::size_t to = 0;
  int lock = -1;  ///< from 0; -1: none
  std::optional<Eigen::Vector3d> field_S;
  std::vector<double> current_A;
  std::optional<double> reserve;  ///< of the switch; absent: nothing is said
  std::optional<FileHunt> hunt;
};

/// What it says that it was held against is not read: a plan is held to all that its scene limits.
struct FilePlan {
  std::string scene_sha256;
  std::string mesh_sha256;
  std::string verdict;
  int locks = 0;
  bool from_elsewhere = false;  ///< it begins in a state that was given
  std::vector<FileState> states;
  std::vector<FileAction> actions;
  std::optional<double> clearance_mm;  ///< what the plan says it keeps; absent: unbounded
  std::optional<double> required_mm;   ///< what was asked for, where the file says
  std::optional<double> reserve;       ///< summary.reserve
};

/// Errors: not JSON, keys that are needed and missing or of another type, numbers that are not finite,
/// indices out of range.
Result<FilePlan> read_file_plan(const std::string& text, const std::string& file);

}  // namespace withy::recheck
