// SPDX-License-Identifier: GPL-3.0-or-later
// The coil currents of the greatest reserve within limits. With y = 1 / reserve, least_currents.h's demands
// and limits are the convex programme
//     min y  with  a_r . I >= b_r + p_r / y  for demands that drive,   a_r . I >= b_r - p_r y  for others
//     that
//                  depend on the reserve, a_r . I >= b_r for those that don't (p_r = 0),
//                  |G_k I| <= B_max at every place k,   |I_c| <= most_c for every coil c, (1)
// (p / y is convex in y > 0), so what can't be bettered near by can't be bettered at all. Solved by
// sequential quadratic programming (D. Kraft, "A software package for sequential quadratic programming",
// DFVLR-FB 88-28, 1988) as NLopt has it, from currents that are nearly the best: halving the reserve and
// asking least_currents stops short of the greatest where limits are all but touched at once, since cuts are
// then next to parallel.
#pragma once

#include <span>

#include "planner/segment/least_currents.h"

namespace withy {

/// One demand of (1); mT.
struct ReserveDemand {
  Currents row;
  double base = 0.0;
  double per_reserve = 0.0;  ///< p_r, 0 or more
  bool drives = false;
};

/// Reserve that currents have by the demands alone, limits aside; 0 where one that does not depend on it is
/// missed by more than rounding, or where a drive falls short of nothing at all.
double reserve_by_demands(std::span<const ReserveDemand> demands, const Currents& current_A);

/// Currents within the limits with as much reserve as `start` or more, up to `wanted`.
/// Precondition: `start` keeps the limits.
Currents greatest_reserve(std::span<const ReserveDemand> demands, const CurrentLimits& limits,
                          const Currents& start, double wanted);

}  // namespace withy
