// SPDX-License-Identifier: GPL-3.0-or-later
#pragma once

#include "planner/plan/answer.h"

/// In along the axis to `depth_mm`, and out; the bend is 0 all along.
inline withy::Plan along_the_axis(double depth_mm) {
  using namespace withy;
  State in;
  in.insertion_mm = depth_mm;
  Plan plan;
  plan.states = {{State{}}, {in}, {State{}}};
  for (const Leg leg : {Leg::in, Leg::out}) {
    PlannedAction action;
    action.kind = ActionKind::advance;
    action.leg = leg;
    action.from = leg == Leg::in ? 0 : 1;
    action.to = action.from + 1;
    plan.actions.push_back(action);
  }
  plan.reached_state = 1;
  plan.clearance_mm = 1.2;
  return plan;
}
