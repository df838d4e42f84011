// SPDX-License-Identifier: GPL-3.0-or-later
// A script played to the elastic body: where it goes, row by row, from pulls and insertion alone.
//
// Between two rows the axes move linearly; the body follows in steps along which insertion changes by at most
// kLookStep_mm and no tendon by more than what turns the tip by kLookTurn_rad. Where a row's locks change,
// the lock engages or opens there: a lock that engages within window and hunt of its notches, the row's
// currents switching it with a reserve of 1 as the body stands, over a sweep too. As in replay.h the script
// has the scene's axes, begins with all of them at zero, moves with the field off but for sweeps, switches
// one lock at a time, and ends drawn back with every lock released; tendons may end where the last latch
// carried least as it opened. A dense look and no proof.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/elastic/follow_plan.h"
#include "planner/scene/scene.h"
#include "planner/script/script.h"

namespace withy {

inline constexpr double kLookTurn_rad = 0.005;

/// What is wrong, and where in the script.
struct ElasticReplayFault {
  int line = 1;
  std::string problem;
  std::string remedy;
};

struct ElasticReplay {
  std::optional<ElasticReplayFault> fault;  ///< the first
  /// The row on the way to which the effort ended it: then nothing is said of the rows from there on.
  std::optional<int> cut_short_at_line;
  double clearance_mm = kInfinity;
  double tip_error_mm = kInfinity;  ///< least over all rows that keep the direction
  int tip_line = 1;
  ElasticExtremes most;
  double slide_error_max_mm = 0.0;  ///< from the nearest notch, where locks engage
  double jump_max_mm = 0.0;         ///< of the tip where locks open
  int steps = 0;
};

/// Precondition: the design, with the script's lock count, has [elastic].
ElasticReplay replay_elastic(const Script& script, const Scene& scene, const Design& design,
                             const ChannelDistance& distance, const Effort& effort = Effort());

}  // namespace withy
