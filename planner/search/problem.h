// SPDX-License-Identifier: GPL-3.0-or-later
// What is asked of a search: this design, in this channel, to this target, at this clearance.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "planner/motion/clearance.h"
#include "planner/search/tip_region.h"
#include "planner/segment/state.h"

namespace withy {

/// The target in the entry frame: a ball about a point, or a region.
struct Goal {
  Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
  std::optional<Eigen::Vector3d> direction_E;  ///< unit vector
  double direction_tolerance_rad = 0.0;
  /// Instead of the ball, where there is one: the point is then any of its places, and the tolerance how far
  /// outside still counts.
  std::shared_ptr<const TipRegion> region = nullptr;

  /// Distance of a tip from the target's point; of a region, a lower bound of that to it, 0 within.
  double distance(const Eigen::Isometry3d& tip_E) const;
  /// Angle (rad) between the tip's tangent and the wanted direction; 0 where none is wanted.
  double direction_error(const Eigen::Isometry3d& tip_E) const;
  bool holds(const Eigen::Isometry3d& tip_E) const {
    return distance(tip_E) <= tolerance_mm && direction_error(tip_E) <= direction_tolerance_rad;
  }
};

/// Which limits of the hardware a search heeds. A limit whose section the scene leaves out is never heeded.
struct HeededLimits {
  bool clearance = true;
  bool latch = true;
  bool tendons = true;
  bool field = true;
};

/// Constant during a search; shared by everything that takes part in it.
struct SearchProblem {
  Design design;
  std::shared_ptr<const ChannelDistance> distance;
  Goal goal;
  double required_clearance_mm = 0.0;
  HeededLimits heeded;
  /// Places that the tip passes on the way to the goal, in this order.
  std::vector<Goal> vias = {};

  // What is only wished for: with one of these the search looks for a better plan, and that it finds none
  // proves nothing of the design.

  double least_reserve = 1.0;  ///< of every switch (planner/segment/field.h)
  bool hunts_wanted = false;   ///< locks engage only where their hunts can be made

  /// Where ways begin: a state that keeps every limit. Not the straight one drawn back only where a user asks
  /// how to go on from another.
  State start = start_state();

  // What is only asked of many layouts at once.

  /// The locks may sit up to this far from the design's stations, either way: lock switches are counted
  /// possible wherever they are for some of those layouts (planner/search/layouts/station_box.h). What such a
  /// question proves holds for all of them; a way that it finds is none.
  double station_play_mm = 0.0;

  bool wishes() const { return least_reserve > 1.0 || hunts_wanted; }
};

}  // namespace withy
