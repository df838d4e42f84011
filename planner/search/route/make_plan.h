// SPDX-License-Identifier: GPL-3.0-or-later
// From a route to a plan: the route in, the same route out, and nothing that is not verified.
//
// "Reached" is said of what make_plan returns, or of a route that refusal_of, which checks the same way,
// finds nothing against, and of nothing else. It trusts no search: whatever a route rests on (a cell said to
// be free, a quick check, another planner), each of its motions is verified here, as a whole motion of the
// whole body, each limit and each switch is judged, and the plan's measured clearance is held against what is
// required.
#pragma once

#include <cstddef>
#include <optional>
#include <string>

#include <tl/expected.hpp>

#include "planner/plan/answer.h"
#include "planner/search/route/route.h"

namespace withy {

/// What a candidate breaks.
enum class PlanFault {
  limits,     ///< a motion leaves the curvature's, the insertion's or the tendons' limits, or moves a frozen
              ///< bend
  clearance,  ///< a motion is not verified to keep the required clearance
  lock_switch,  ///< a lock switch moves the body, is off its latched bend or is refused by the field
  target,       ///< the tip is out of the target's tolerance of place or direction
  ends          ///< it does not start and end at d = 0, straight, all locks released
};

struct PlanRefusal {
  PlanFault fault = PlanFault::limits;
  int step = -1;  ///< of the route, from 0; -1 where no one step is to blame
  /// What is wrong, as half a sentence.
  std::string sentence;
};

/// The plan of a route, or the first fault found. The route out is the route in reversed: bends undone, locks
/// released where they were engaged. A motion passes the same states in both directions, so what is verified
/// of it on the route in holds on the route out.
///
/// A plan carries its figures: clearance, pulls, tensions and lock loads of each state, the field of each
/// switch (planner/plan/figures.h). A plan that is returned: starts and ends at start_state(); each motion
/// changes insertion and free curvature only, within the limits that the problem heeds, with a verified
/// clearance of at least what is required; each switch leaves the body where it is, with a bend that the
/// latch holds exactly, and is allowed there and back; the tip of its reached_state is within the goal.
tl::expected<Plan, PlanRefusal> make_plan(const StepJudge& judge, const Route& route);

/// The same of a route that begins elsewhere: where the way in has been undone, `home` leads on from there to
/// start_state(). Precondition: it begins where the route does.
tl::expected<Plan, PlanRefusal> make_plan(const StepJudge& judge, const Route& route, const Route& home);

/// A route as the way out alone, each step verified as above; it may end anywhere. Its figures are those of
/// a plan.
tl::expected<Plan, PlanRefusal> make_way_out(const StepJudge& judge, const Route& route);

/// The first thing that stands against a plan of this route to `goal`; nothing where make_plan would make
/// one. Precondition: the first `steps_known` steps have stood so before.
std::optional<PlanRefusal> refusal_of(const StepJudge& judge, const Route& route, const Goal& goal,
                                      std::size_t steps_known = 0);

}  // namespace withy
