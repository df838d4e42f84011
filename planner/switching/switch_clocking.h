// SPDX-License-Identifier: GPL-3.0-or-later
// How the locks should be clocked so that a field can tell them apart.
//
// Only clockings relative to lock 1 matter: turning all locks together turns the map of bends with them. For
// each relative clocking the bends are sorted into those where all locks can be switched one by one, only
// several at once, or not at all, and the strongest field that locking from the base up and releasing in
// reverse asks for is taken, and the least reserve it has. The clocking with the widest margin is the one at
// which that works in most bends, then with the most reserve, then with the weakest such field, then (fields
// within kAsGood of the weakest are as good) from which the clockings may be off furthest, in steps of the
// sweep, before it is worse.
#pragma once

#include <vector>

#include "planner/switching/switch_map.h"

namespace withy {

/// What one clocking makes of the bends.
struct ClockingResult {
  std::vector<double> clock_rad;  ///< of locks 2 to N against lock 1
  Separability straight = Separability::never;
  double share_alone = 0.0;
  double share_together = 0.0;
  double share_never = 0.0;
  double share_usual = 0.0;  ///< bends where locking from the base up works within the limit
  double usual_most_mT =
      0.0;  ///< strongest field that asks for in those bends; kNoField_mT when there are none
  double usual_reserve = 0.0;  ///< least reserve in those bends, up to what is wanted; 0 when there are none
  double reverse_share = 0.0;  ///< the same for locking from the tip down
  double reverse_most_mT = 0.0;
};

/// Fields within this share of the weakest count as as good as it.
inline constexpr double kAsGood = 0.01;

struct ClockingSweep {
  double step_rad = 0.0;
  std::vector<ClockingResult>
      results;             ///< every combination of steps; one lock's clocking runs fastest, lock N's
  std::size_t widest = 0;  ///< index into results
  double slack_rad = 0.0;  ///< every clocking within this of the widest is as good
};

/// The design at hand with other relative clockings; lock 1 keeps its own. Precondition: one clocking for
/// each lock but 1.
Design with_clocking(const Design& design, const std::vector<double>& clock_rad);

/// Where the effort is cut short what is made is to be dropped, here and below.
ClockingResult judge_clocking(const Design& design, const std::vector<BendPose>& poses,
                              const Effort& effort = Effort());

/// Every relative clocking of two or three locks. `step_deg` must divide 360. Precondition: two or three
/// locks.
ClockingSweep sweep_clockings(const Design& design, const BendGrid& grid, int step_deg,
                              const Effort& effort = Effort());

/// More than three locks: from even helices of every step the best, then one clocking after another moved to
/// its best step until none gets better. Only the usual order is judged (the orders grow too many), so shares
/// other than `share_usual` of the results on the way are not filled; those of the one result returned are.
ClockingSweep search_clockings(const Design& design, const BendGrid& grid, int step_deg,
                               const Effort& effort = Effort());

}  // namespace withy
