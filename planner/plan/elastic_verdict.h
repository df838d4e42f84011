// SPDX-License-Identifier: GPL-3.0-or-later
// What a look at the elastic body said of a plan (planner/elastic/heed_elasticity.h).
#pragma once

#include <optional>
#include <string>

#include "geometry/numbers/numbers.h"

namespace withy {

/// How the elastic body fares with one set of pulls. Infinite: not found, or nothing past the entry plane.
struct ElasticFigures {
  double miss_mm = kInfinity;  ///< of the tip from the target's point
  double clearance_mm = kInfinity;
  double slide_error_mm = 0.0;  ///< largest, where locks engage
  double jump_mm = 0.0;         ///< largest, of the tip where a lock switches
};

/// Of the plan that the answer gives. Looked at step by step: no proof.
struct ElasticVerdict {
  std::optional<std::string> fails;  ///< what is not kept with compensated pulls; nothing: all is
  int plans = 1;                     ///< that were looked at until there was this one
  double step_mm = 0.0;              ///< of the ideal tip's way
  ElasticFigures ideal_pulls;
  ElasticFigures compensated_pulls;

  bool holds() const { return !fails; }
};

}  // namespace withy
