// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: the least clearance over a motion and over the body, by
// sampling.
//
// The rectangle motion fraction x station is first cut into cells in which no point is more than half a
// millimetre from the middle; then, worst first, cells are halved while one could still hide a clearance less
// than the least sample by more than the tolerance. How far a cell's points are from its middle is measured
// at its corners and sides, not derived, so nothing is shared with the bounds that planner/motion derives.
#pragma once

#include "tests/support/plain_body.h"
#include "tests/support/plain_distance.h"

namespace withy_plain {

struct Sampled {
  double minimum_mm;  ///< least D(p) - R found at a station with z > 0; infinite when there is none
  double bound_mm;    ///< the least over all points is at most this much lower
  double fraction = 0, station_mm = 0;  ///< where
  int samples = 0;
};

/// Over the motion between two states that have the same locks engaged. `most_samples` bounds the work: when
/// it is spent, bound_mm says what is left.
Sampled least_clearance(const Robot& robot, const Wall& wall, const State& from, const State& to,
                        int most_samples = 20000);

}  // namespace withy_plain
