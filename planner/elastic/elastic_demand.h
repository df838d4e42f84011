// SPDX-License-Identifier: GPL-3.0-or-later
// What is required of an elastic body that follows a plan, and what of it is not kept.
#pragma once

#include <optional>
#include <string>

#include "planner/elastic/follow_plan.h"

namespace withy {

/// Where the tip is to be in the reached state.
struct ElasticTarget {
  Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  std::optional<Eigen::Vector3d> direction_E;
  double direction_tolerance_rad = 0.0;
  double tolerance_mm = 0.0;

  double miss_mm(const Eigen::Isometry3d& tip_E) const;
  /// Angle from the wanted direction (rad); 0 where none is wanted.
  double direction_error_rad(const Eigen::Isometry3d& tip_E) const;
};

struct ElasticDemand {
  ElasticTarget target;
  double clearance_mm = 0.0;  ///< held against where the look had a wall
};

/// How much of each limit a followed plan takes: 1 is all of it, 0 where there is none.
struct LimitShares {
  double stroke = 0.0;
  double tension = 0.0;
  double lock_load = 0.0;    ///< of hold_moment_Nmm
  double compression = 0.0;  ///< of the load at which a held backbone buckles between disks
};
LimitShares limit_shares(const Design& design, const ElasticExtremes& most);

/// The first limit of stroke, tension, lock load or buckling that is broken, as a sentence without its full
/// stop; nothing where all are kept.
std::optional<std::string> broken_limit(const Design& design, const ElasticExtremes& most);

/// The same, or the first lock that would not find its notches within window and hunt.
std::optional<std::string> broken_limit(const Design& design, const Plan& plan, const FollowedPlan& followed);

/// How far off its notches (mm) a lock action may find the backbones: engage window and hunt.
double engage_reach_mm(const Design& design, const PlannedAction& action);

/// The first lock action whose slides are farther off their notches than window and hunt reach, likewise.
std::optional<std::string> missed_notch(const Design& design, const Plan& plan, const FollowedPlan& followed);

/// The tip in the reached state; nothing where it was not followed so far.
std::optional<Eigen::Isometry3d> followed_tip_E(const Plan& plan, const FollowedPlan& followed);

/// All that is not kept (of limits the first), as a sentence about the body ("it ..."); nothing where all is.
std::optional<std::string> what_fails(const Design& design, const Plan& plan, const ElasticDemand& demand,
                                      const FollowedPlan& followed);

}  // namespace withy
