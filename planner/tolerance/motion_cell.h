// SPDX-License-Identifier: GPL-3.0-or-later
// One cell of a motion: what is known of it (motion_cells.h says what its clearance means).
#pragma once

#include <Eigen/Core>

#include "planner/proof/lemmas/verify.h"
#include "planner/tolerance/bend_levers.h"

namespace withy {

struct MotionCell {
  BendLevers levers;
  double radius_mm = 0.0;        ///< of the body
  double from_entry_mm = 0.0;    ///< most that a point is from the entry point
  double from_centre_mm = 0.0;   ///< and from the middle of the mesh
  double from_passage_mm = 0.0;  ///< least distance to a passage; infinite without one
  double height_mm = 0.0;        ///< most that a point is past the entry plane
  double clearance_mm = 0.0;
  bool refined = false;  ///< is clearance_mm what MotionVerifier proves?
  int part = 0;
  int stretch = 0;
  double from_mm = 0.0;  ///< stations of the stretch's ends
  double to_mm = 0.0;
};

/// Puts in where a cell is whose points are within `reach_mm` of `p`, and how clear it is, radius and
/// clearance at once.
void place_cell(MotionCell& cell, const Eigen::Vector3d& p, double reach_mm, const ChannelDistance& distance,
                const Eigen::Vector3d& channel_centre_E);

/// What MotionVerifier proves of the cell's stretch from one state to the other, all that is behind the entry
/// plane counted in.
double proved_clearance(const Design& design, const ChannelDistance& distance, const MotionCell& cell,
                        const State& from, const State& to);

}  // namespace withy
