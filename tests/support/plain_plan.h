// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: a plan file as the second reader reads it.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "tests/support/plain_body.h"
#include "tests/support/plain_hunt.h"

namespace withy_plain {

/// What a plan says of one state, beside the state itself. Vectors are empty where the file has nothing.
struct ListedState {
  State state;
  std::vector<double> pull_mm, tension_N, lock_moment_Nmm;
  Eigen::Vector3d tip_S = Eigen::Vector3d::Zero();
  std::optional<double> clearance_mm;  ///< nothing: no part of the body in the channel
};

struct ListedAction {
  std::string kind, leg;
  int from = -1, to = -1;
  int lock = -1;  ///< index from 0 (files count from 1)
  std::optional<Eigen::Vector3d> field_S_mT;
  std::vector<double> current_A;  ///< empty where the file has none
  std::optional<double> field_reserve;
  std::optional<double> clearance_mm;
  std::optional<ListedHunt> hunt;
  /// lock: how far each backbone is off the planned slide whatever the errors, where that is counted. Not
  /// read by read_plan.
  std::vector<double> slide_off_mm = {};
};

struct ListedSummary {
  int locks_used = 0, actions = 0;
  bool preset = false;
  double clearance_slack_mm = 0;
  std::string reserve_limited_by;
  std::map<std::string, double> numbers;  ///< every key whose value is a number, these among them
};

struct ListedPlan {
  std::string format, verdict, scene_sha256, mesh_sha256;
  int version = 0, locks = 0;
  std::vector<std::string> checked, not_checked;
  ListedSummary summary;
  /// Every number of the segment section: "length_mm", "station_mm/0", "carriage/insertion_max_mm".
  std::map<std::string, double> segment;
  std::vector<ListedState> states;
  std::vector<ListedAction> actions;
};

/// Throws on a file that is no JSON or lacks what a reached plan must have.
ListedPlan read_plan(const std::string& path);

}  // namespace withy_plain
