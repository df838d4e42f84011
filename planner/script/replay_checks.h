// SPDX-License-Identifier: GPL-3.0-or-later
// What a replay asks of one state and of one switch. Used by replay.cpp only.
#pragma once

#include <optional>
#include <string>

#include "planner/script/replay.h"
#include "planner/segment/hardware.h"

namespace withy {

/// A fault that doesn't know its line yet.
struct ReplayFinding {
  ReplayCause cause = ReplayCause::axes;
  std::string problem;
  std::string remedy;
};

/// How far a number may be past its limit and still count as on it: the script's rounding where it is a row's
/// own, a script's deviation where it is between rows.
struct Leniency {
  double pull_mm = 0.0;           ///< of a pull
  double curvature_per_mm = 0.0;  ///< what that pull is in curvature of the free region

  static Leniency of_pull(const Design& design, const State& state, double pull_mm);
};

/// The first limit of insertion, curvature, stroke, tension and lock load that a state breaks by more than
/// `leniency`.
std::optional<ReplayFinding> check_limits(const Design& design, const State& state, const HardwareUse& use,
                                          const Leniency& leniency);

/// Does this field switch `lock` in `state` (before the switch), keep the others, and stay within its limit?
/// The torque is taken at every angle of the stroke: tau(a) = m (b_y cos a - b_x sin a), b the field in the
/// lock's cross-section, is a sine wave in a, so it is least at an end of the stroke or at its trough.
std::optional<ReplayFinding> check_field(const Design& design, const State& state, int lock,
                                         const Eigen::Vector3d& field_S);

/// Do the currents make the field?
std::optional<ReplayFinding> check_currents(const Design& design, const Waypoint& row);

}  // namespace withy
