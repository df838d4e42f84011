// SPDX-License-Identifier: GPL-3.0-or-later
// What a look at the elastic body said of a plan (planner/heed/heed_elasticity.h).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "geometry/numbers/numbers.h"
#include "planner/plan/pull_corrections.h"

namespace withy {

/// How the elastic body fares with one set of pulls. Infinite: not found, or nothing past the entry plane.
struct ElasticFigures {
  double miss_mm = kInfinity;  ///< of the tip from the target's point
  double clearance_mm = kInfinity;
  double slide_error_mm = 0.0;  ///< largest, where locks engage
  double jump_mm = 0.0;         ///< largest, of the tip where a lock switches
};

/// How far the backbones' own slides are from the planned ones where a lock engages.
struct ElasticEngagement {
  int action = 0;  ///< of the plan, from 0
  int lock = 0;    ///< from 0
  double ideal_pulls_mm = kInfinity;
  double compensated_pulls_mm = kInfinity;
  /// Of each backbone, own slide less the planned one (mm); empty where it was not looked at.
  Eigen::VectorXd ideal_pulls_off_mm = {};
  Eigen::VectorXd compensated_pulls_off_mm = {};
  double reach_mm = 0.0;  ///< engage window and hunt; beyond it the lock does not drop in
};

/// Of the plan that the answer gives. Looked at step by step: no proof.
struct ElasticVerdict {
  std::optional<std::string> fails;  ///< what is not kept with compensated pulls; nothing: all is
  bool to_the_end = true;            ///< false: the effort ended before the look did; `fails` says so
  int plans = 1;                     ///< that were looked at in all
  double step_mm = 0.0;              ///< of the ideal tip's way
  ElasticFigures ideal_pulls;
  ElasticFigures compensated_pulls;
  PullCorrections corrections;                 ///< the compensated pulls'; empty where none were found
  std::vector<ElasticEngagement> engagements;  ///< of each lock action, in order

  bool holds() const { return !fails; }
  /// Whose pulls the scripts carry: compensated ones that do not bring the elastic body there are no better
  /// than the ideal ones, which are proved.
  bool compensates_scripts(bool ideal_asked) const { return holds() && !ideal_asked; }
};

}  // namespace withy
