// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/make_plan.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "planner/segment/shape.h"

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

using Checked = tl::expected<PlannedAction, PlanRefusal>;

Checked refuse(PlanFault fault, std::string sentence) {
  return tl::unexpected(PlanRefusal{fault, -1, std::move(sentence)});
}

/// Clearance where the problem heeds it; nothing where it falls short.
std::optional<double> enough_clearance(const StepJudge& judge, const State& from, const State& to) {
  const double measured = reported_clearance(judge, from, to);
  if (judge.problem().heeded.clearance && !(measured >= judge.problem().required_clearance_mm))
    return std::nullopt;
  return measured;
}

Checked motion_of(const StepJudge& judge, const State& from, const State& to) {
  if (from.engaged != to.engaged || from.theta_frozen != to.theta_frozen)
    return refuse(PlanFault::limits, "a motion would move a frozen bend");
  if (!judge.within_limits_all_along(from, to)) return refuse(PlanFault::limits, judge.objection(from, to));
  const auto clearance = enough_clearance(judge, from, to);
  if (!clearance) return refuse(PlanFault::clearance, judge.objection(from, to));
  PlannedAction action;
  action.kind = motion_kind(from, to);
  action.clearance_mm = *clearance;
  return action;
}

/// Does the switch leave the body where it is? To rounding: the bend that it freezes is written as the
/// latched one.
bool stands_still(const Design& design, const State& before, const RouteStep& step) {
  if (step.lock >= design.lock_count()) return false;
  if (before.engaged.test(static_cast<std::size_t>(step.lock)) == step.engages) return false;
  const State after =
      step.engages ? after_lock(design, before, step.lock) : after_unlock(design, before, step.lock);
  if (after.engaged != step.to.engaged || after.insertion_mm != step.to.insertion_mm) return false;
  const auto meant = regions_of(design, after);
  const auto given = regions_of(design, step.to);
  for (std::size_t r = 0; r < meant.size(); ++r)
    if (!((meant[r].u - given[r].u).norm() <= kEqualCurvature_per_mm)) return false;
  return true;
}

Checked switch_of(const StepJudge& judge, const State& before, const RouteStep& step) {
  const std::string name = fmt::format("lock {} ", step.lock + 1);
  if (!stands_still(judge.problem().design, before, step))
    return refuse(PlanFault::lock_switch, name + "would move the body as it switches");
  if (!judge.switch_allowed(before, step.lock, step.to))
    return refuse(PlanFault::lock_switch, name + "can't be switched there");
  if (!judge.within_limits_all_along(before, before) || !judge.within_limits_all_along(step.to, step.to))
    return refuse(PlanFault::limits, name + "would be switched beyond a limit");
  PlannedAction action;
  action.kind = step.engages ? ActionKind::lock : ActionKind::unlock;
  action.lock = step.lock;
  action.clearance_mm = std::numeric_limits<double>::infinity();
  // One body but for rounding, and rounding is not proved away.
  for (const State* state : {&before, &step.to}) {
    const auto clearance = enough_clearance(judge, *state, *state);
    if (!clearance) return refuse(PlanFault::clearance, judge.objection(*state, *state));
    action.clearance_mm = std::min(action.clearance_mm, *clearance);
  }
  return action;
}

/// The field of a switch, and the hunt of a lock that engages.
void give_field_and_hunt(const StepJudge& judge, const State& before, PlannedAction& action) {
  if (action.kind == ActionKind::lock) action.hunt = judge.hunt_of(before, action.lock);
  if (action.lock < 0 || !judge.problem().heeded.field || !judge.hardware().checks_field()) return;
  const auto choice = judge.hardware().switch_choice(before, action.lock);
  assert(choice);  // the switch was allowed
  action.field_S = choice->field_S;
  action.current_A.assign(choice->currents.current_A.begin(), choice->currents.current_A.end());
  action.field_reserve = choice->currents.reserve;
}

ActionKind undone(ActionKind kind) {
  if (kind == ActionKind::lock) return ActionKind::unlock;
  return kind == ActionKind::unlock ? ActionKind::lock : kind;
}

/// One step of a route as an action, verified.
Checked action_of(const StepJudge& judge, const Route& route, std::size_t i) {
  const RouteStep& step = route.steps[i];
  const State& before = route.state_before(i);
  Checked action = step.lock < 0 ? motion_of(judge, before, step.to) : switch_of(judge, before, step);
  if (!action) action.error().step = static_cast<int>(i);
  return action;
}

/// Every step of the way in, as an action, each verified.
tl::expected<std::vector<PlannedAction>, PlanRefusal> way_in(const StepJudge& judge, const Route& route) {
  std::vector<PlannedAction> actions;
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    Checked action = action_of(judge, route, i);
    if (!action) return tl::unexpected(action.error());
    actions.push_back(std::move(*action));
  }
  return actions;
}

std::optional<PlanRefusal> miss_of(const Design& design, const Goal& goal, const State& reached) {
  if (goal.holds(Shape(design, reached).tip_E())) return std::nullopt;
  return PlanRefusal{PlanFault::target, -1, "the tip would stop outside the target's tolerance"};
}

bool bent(const State& state) {
  return std::any_of(state.theta_frozen.begin(), state.theta_frozen.end(),
                     [](const Eigen::Vector2d& t) { return !t.isZero(1e-9); });
}

}  // namespace

tl::expected<Plan, PlanRefusal> make_plan(const StepJudge& judge, const Route& route) {
  const auto in = way_in(judge, route);
  if (!in) return tl::unexpected(in.error());
  Plan plan;
  plan.clearance_mm = std::numeric_limits<double>::infinity();
  plan.clearance_slack_mm = kClearanceSlack_mm;
  plan.states.push_back(start_state());
  const auto add = [&](PlannedAction action, const State& to) {
    action.from = static_cast<int>(plan.states.size()) - 1;
    action.to = action.from + 1;
    give_field_and_hunt(judge, plan.states.back(), action);
    plan.clearance_mm = std::min(plan.clearance_mm, action.clearance_mm);
    plan.states.push_back(to);
    plan.actions.push_back(std::move(action));
  };
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const PlannedAction& action = (*in)[i];
    if (action.kind == ActionKind::lock && std::isinf(action.clearance_mm) && bent(route.steps[i].to))
      plan.preset = true;
    add(action, route.steps[i].to);
  }
  plan.reached_state = static_cast<int>(plan.states.size()) - 1;
  if (auto miss = miss_of(judge.problem().design, judge.problem().goal, plan.states.back()))
    return tl::unexpected(std::move(*miss));
  for (std::size_t i = route.steps.size(); i-- > 0;) {
    PlannedAction action = (*in)[i];
    action.leg = Leg::out;
    action.kind = undone(action.kind);
    add(action, route.state_before(i));
  }
  if (!(plan.states.back() == start_state()))
    return tl::unexpected(
        PlanRefusal{PlanFault::ends, -1, "it would not end straight at the start, all locks released"});
  return plan;
}

std::optional<PlanRefusal> refusal_of(const StepJudge& judge, const Route& route, const Goal& goal,
                                      std::size_t steps_known) {
  for (std::size_t i = steps_known; i < route.steps.size(); ++i)
    if (const Checked action = action_of(judge, route, i); !action) return action.error();
  return miss_of(judge.problem().design, goal, route.state_before(route.steps.size()));
}

}  // namespace withy
