// SPDX-License-Identifier: GPL-3.0-or-later
// What was measured on the bench: a table of poses, one row each.
//
// CSV (RFC 4180) with a header; columns in any order: insertion_mm; pull_1_mm .. one for each tendon of the
// scene; tip_x_mm, tip_y_mm, tip_z_mm in the scene frame; optionally tension_1_N .. one for each tendon, at
// the base; optionally lock_1 .. one for each lock the segment has, 1 engaged, 0 released.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>

#include "planner/files/input_error.h"
#include "planner/segment/state.h"

namespace withy {

struct Measurement {
  int line = 0;  ///< of the file
  double insertion_mm = 0.0;
  LockSet engaged;
  Eigen::VectorXd pull_mm;
  Eigen::VectorXd tension_N;  ///< empty when none were measured
  Eigen::Vector3d tip_S = Eigen::Vector3d::Zero();
};

struct Measurements {
  int locks = 0;
  int tendons = 0;
  bool tensions = false;
  std::vector<Measurement> rows;
};

/// No more rows than this: the fit's work grows with their cube.
inline constexpr int kMostMeasurements = 1000;

/// Reads a table for a segment of `tendons` tendons; `file` is named in errors.
Result<Measurements> read_measurements(std::string_view text, const std::string& file, int tendons);

}  // namespace withy
