// SPDX-License-Identifier: GPL-3.0-or-later
// A plan's figures, worked out once: by make_plan for a plan that it returns, by whoever has checked a plan
// that was read. The writer, the page and the reports read them.
#pragma once

#include "planner/plan/answer.h"

namespace withy {

/// Works out a state's figures, its clearance aside. Precondition: the state keeps the limits of curvature
/// and insertion.
void work_out_figures(const Hardware& hardware, PlannedState& state);

/// Works out the figures of every state and switch, and the largest of the plan. A state's clearance is
/// raised to that of an action which passes it, where that bound is sharper. A switch's currents and every
/// clearance are taken as the plan has them. Precondition as above.
void work_out_figures(const Hardware& hardware, Plan& plan);

}  // namespace withy
