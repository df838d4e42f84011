// SPDX-License-Identifier: GPL-3.0-or-later
// From a route to a plan: the way in, the same way back out, every motion's clearance verified.
#pragma once

#include "planner/plan/answer.h"
#include "planner/search/route/route.h"

namespace withy {

/// The plan of a route. The way out is the way in reversed: bends undone, locks released where they were
/// engaged.
Plan make_plan(const StepJudge& judge, const Route& route);

}  // namespace withy
