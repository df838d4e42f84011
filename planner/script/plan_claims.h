// SPDX-License-Identifier: GPL-3.0-or-later
// Is what a plan file says of its plan true? Asked before a page repeats it.
//
// Figures that follow from the states and actions (pulls, tensions, tips, largest values, margins) are worked
// out again and written as plan.h writes them; the file's must be the same. Clearances and reserves are lower
// bounds that were found by a search: it is verified that the motion, the hunt or the currents have them.
#pragma once

#include <optional>

#include "planner/plan/plan.h"
#include "planner/script/plan_check.h"

namespace withy {

/// What a claimed clearance may be too large by (mm): it was found with distances of the field or exact ones,
/// which differ by less. As much as `withy recheck` leaves.
inline constexpr double kClaimSlack_mm = 0.2;

/// The first figure of the file that is not its plan's, at its place; nothing when all are. Texts, durations
/// and what the file says of the search are not looked at. Precondition: `plan` is what the file holds, it
/// holds (plan_defect), and its figures are worked out (figures.h).
std::optional<InputError> false_claim(const PlanFile& file, const Plan& plan, const PlanQuestion& question);

}  // namespace withy
