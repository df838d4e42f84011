// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/make_plan.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace withy {

namespace {

/// A verified bound; where the exact yes/no (verify.h) is sharper than the bound within its slack, the
/// required clearance.
double reported_clearance(const StepJudge& judge, const State& from, const State& to) {
  const double required = judge.problem().required_clearance_mm;
  const MotionClearance c = judge.verifier().clearance(from, to);
  if (c.lower_mm < required && c.upper_mm >= required && judge.verifier().clears(from, to, required))
    return required;
  return c.lower_mm;
}

PlannedAction action_of(const StepJudge& judge, const RouteStep& step, const State& before, Leg leg) {
  PlannedAction action;
  action.leg = leg;
  action.clearance_mm = reported_clearance(judge, before, step.lock >= 0 ? before : step.to);
  if (step.lock < 0) {
    action.kind = motion_kind(before, step.to);
    return action;
  }
  action.kind = step.engages ? ActionKind::lock : ActionKind::unlock;
  action.lock = step.lock;
  if (judge.problem().heeded.field && judge.hardware().checks_field())
    action.field_S = judge.hardware().switch_need(before, step.lock).field_S;
  return action;
}

bool bent(const State& state) {
  return std::any_of(state.theta_frozen.begin(), state.theta_frozen.end(),
                     [](const Eigen::Vector2d& t) { return !t.isZero(1e-9); });
}

}  // namespace

Plan make_plan(const StepJudge& judge, const Route& route) {
  Plan plan;
  plan.clearance_mm = std::numeric_limits<double>::infinity();
  plan.clearance_slack_mm = kClearanceSlack_mm;
  plan.states.push_back(start_state());
  const auto add = [&](PlannedAction action, const State& to) {
    action.from = static_cast<int>(plan.states.size()) - 1;
    action.to = action.from + 1;
    plan.clearance_mm = std::min(plan.clearance_mm, action.clearance_mm);
    plan.states.push_back(to);
    plan.actions.push_back(action);
  };
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const PlannedAction action = action_of(judge, route.steps[i], route.state_before(i), Leg::in);
    if (action.kind == ActionKind::lock && std::isinf(action.clearance_mm) && bent(route.steps[i].to))
      plan.preset = true;
    add(action, route.steps[i].to);
  }
  plan.reached_state = static_cast<int>(plan.states.size()) - 1;
  for (std::size_t i = route.steps.size(); i-- > 0;) {
    const State& back_to = route.state_before(i);
    RouteStep back = route.steps[i];
    const State from = back.to;
    back.to = back_to;
    back.engages = !back.engages;
    PlannedAction action = action_of(judge, back, from, Leg::out);
    add(action, back_to);
  }
  return plan;
}

}  // namespace withy
