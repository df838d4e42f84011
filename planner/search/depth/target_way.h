// SPDX-License-Identifier: GPL-3.0-or-later
// The middle line from the entry to the branch that a target lies in, to tell how deep a tip gets.
//
// A place belongs to the point of all middle lines that is nearest to it. It lies *deeper than* s on the way
// where that point is a point of the way more than s along it from the entry. Points are those of the
// centreline (geometry/centreline), 1 mm apart at most.
//
// Units: mm, frame E.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include <Eigen/Core>

#include "geometry/centreline/centreline.h"
#include "planner/search/tip_region.h"

namespace withy {

struct WayPoint {
  double station_mm = 0.0;  ///< along the way, from the entry
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  int branch = 0;                  ///< index of the branch that it lies on
  double branch_station_mm = 0.0;  ///< along that branch
};

struct TargetWay {
  std::vector<WayPoint> points;         ///< from the entry on, to the end of the branch that holds the target
  std::vector<Eigen::Vector3d> beside;  ///< points of the middle lines that are not on the way
  std::size_t target = 0;               ///< of `points`, the one that the target belongs to

  /// Of `points`, the one that a place belongs to; nothing where it is one of those beside.
  std::optional<std::size_t> point_of(const Eigen::Vector3d& p_E) const;
  /// How deep a place is: the station of its projection on the halves of the line next to its point, which
  /// are all that belongs to it; nothing where it is one of those beside.
  std::optional<double> depth_of(const Eigen::Vector3d& p_E) const;
  /// The station half-way between a point and the one before: no place of a point before `point` is deeper.
  /// Precondition: point > 0.
  double depth_before(std::size_t point) const {
    return 0.5 * (points[point - 1].station_mm + points[point].station_mm);
  }
};

/// Nothing where the channel has no middle line.
std::optional<TargetWay> way_to_target(const Centreline& centreline, const Eigen::Vector3d& target_E);

/// All places past the entry plane that belong to point `from` of the way or to one after it: those no
/// farther from one of these points than from all others. Precondition: from > 0.
std::shared_ptr<const TipRegion> places_from(const TargetWay& way, std::size_t from);

}  // namespace withy
