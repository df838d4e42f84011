// SPDX-License-Identifier: GPL-3.0-or-later
// All lock layouts on a grid: stations at multiples of a step, clockings at multiples of an angle.
//
// Stations are those that a design may have (design_faults): lock bodies overlap neither one another nor the
// base nor the tip span. Lock 1 stays at clocking 0, since only clockings relative to it tell locks apart
// (planner/switching/switch_clocking.h); without a field to check all clockings are 0, since none matters.
#pragma once

#include <optional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/segment/design.h"

namespace withy {

using Stations = std::vector<double>;   ///< mm, proximal to distal
using Clockings = std::vector<double>;  ///< rad, one for each lock

/// In lexical order; where the effort is cut short, those laid out until then. Precondition: step positive, 1
/// to kMaxLocks locks, `parts` has lock hardware.
std::vector<Stations> grid_stations(const DesignParts& parts, int locks, double step_mm,
                                    const Effort& effort = Effort());

/// In lexical order. Precondition: the step divides a turn.
std::vector<Clockings> grid_clockings(const DesignParts& parts, int locks, double step_rad);

/// How many clockings grid_clockings would give, without making them.
double clocking_count(const DesignParts& parts, int locks, double step_rad);

/// `parts` with this layout; nothing when design_faults objects.
std::optional<Design> design_with(const DesignParts& parts, const Stations& station_mm,
                                  const Clockings& clock_rad);

}  // namespace withy
