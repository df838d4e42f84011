// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/make_plan.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/idle_threads.h"
#include "planner/plan/figures.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

using Checked = tl::expected<PlannedAction, PlanRefusal>;

Checked refuse(PlanFault fault, std::string sentence) {
  return tl::unexpected(PlanRefusal{fault, -1, std::move(sentence)});
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

/// The field of a switch, and the hunt of a lock that engages.
void give_field_and_hunt(const StepJudge& judge, const State& before, PlannedAction& action) {
  if (action.lock < 0) return;
  const auto [choice, hunt] = judge.lock_switch(before, action.lock);
  action.hunt = hunt;
  if (!choice) return;  // no field is heeded, for the switch was allowed
  action.field_S = choice->field_S;
  action.current_A.assign(choice->currents.current_A.begin(), choice->currents.current_A.end());
  action.field_reserve = choice->currents.reserve;
}

ActionKind undone(ActionKind kind) {
  if (kind == ActionKind::lock) return ActionKind::unlock;
  return kind == ActionKind::unlock ? ActionKind::lock : kind;
}

std::optional<PlanRefusal> miss_of(const Design& design, const Goal& goal, const State& reached) {
  if (goal.holds(Shape(design, reached).tip_E())) return std::nullopt;
  return PlanRefusal{PlanFault::target, -1, "the tip would stop outside the target's tolerance"};
}

bool bent(const State& state) {
  return std::any_of(state.theta_frozen.begin(), state.theta_frozen.end(),
                     [](const Eigen::Vector2d& t) { return !t.isZero(1e-9); });
}

/// Verifies a route's steps one after the other and makes a plan of them.
class PlanMaker {
 public:
  PlanMaker(const StepJudge& judge, const Route& route)
      : judge_(judge), route_(route), clearances_(route.steps.size() + 1), motions_(route.steps.size()) {}

  tl::expected<Plan, PlanRefusal> make() {
    if (auto refusal = verify_steps()) return tl::unexpected(std::move(*refusal));
    go_in();
    if (auto miss = miss_of(judge_.problem().design, judge_.problem().goal, plan_.states.back()))
      return tl::unexpected(std::move(*miss));
    go_out();
    if (!(plan_.states.back() == route_.start))
      return tl::unexpected(PlanRefusal{PlanFault::ends, -1, "it would not end where it began"});
    work_out_figures(judge_.hardware(), plan_);
    return std::move(plan_);
  }

  tl::expected<Plan, PlanRefusal> make_way_out() {
    if (auto refusal = verify_steps()) return tl::unexpected(std::move(*refusal));
    for (PlannedAction& action : in_) action.leg = Leg::out;
    go_in();
    plan_.from_elsewhere = true;
    plan_.reached_state = 0;
    work_out_figures(judge_.hardware(), plan_);
    return std::move(plan_);
  }

  /// What stands against the steps from `first` on.
  std::optional<PlanRefusal> refusal_from(std::size_t first) {
    if (auto refusal = start_refusal()) return refusal;
    for (std::size_t i = first; i < route_.steps.size(); ++i)
      if (const Checked action = action_of(i); !action) return action.error();
    return std::nullopt;
  }

 private:
  /// The start is a state like any other: a plan without actions stands or falls with it.
  std::optional<PlanRefusal> start_refusal() const {
    if (judge_.within_limits_all_along(state(0), state(0))) return std::nullopt;
    return PlanRefusal{PlanFault::limits, -1, judge_.objection(state(0), state(0))};
  }

  /// One step as an action, verified.
  Checked action_of(std::size_t i) {
    Checked action = motions_[i] ? *motions_[i] : route_.steps[i].lock < 0 ? motion_of(i) : switch_of(i);
    if (!action) action.error().step = static_cast<int>(i);
    return action;
  }

  /// All motions up to the first that is refused, by all idle threads.
  void verify_motions() {
    first_yes(route_.steps.size(), [&](std::size_t i, const auto& /*ended*/) {
      if (route_.steps[i].lock < 0) motions_[i] = motion_of(i);
      return motions_[i] && !*motions_[i];
    });
  }

  /// All steps, into in_.
  std::optional<PlanRefusal> verify_steps() {
    if (auto refusal = start_refusal()) return refusal;
    if (has_other_threads()) verify_motions();
    for (std::size_t i = 0; i < route_.steps.size(); ++i) {
      Checked action = action_of(i);
      if (!action) return action.error();
      in_.push_back(std::move(*action));
    }
    return std::nullopt;
  }

  /// The route's states, the start first.
  const State& state(std::size_t index) const { return route_.state_before(index); }

  /// Of one state, worked out when first asked for.
  const MotionClearance& clearance_at(std::size_t index) {
    auto& clearance = clearances_[index];
    if (!clearance) clearance = judge_.verifier().clearance(state(index));
    return *clearance;
  }

  /// A verified bound; where the exact yes/no (verify.h) is sharper than the bound within its slack, the
  /// required clearance. Nothing where the problem heeds the clearance and it falls short.
  std::optional<double> enough_clearance(const MotionClearance& found, const State& from,
                                         const State& to) const {
    const double required = judge_.problem().required_clearance_mm;
    if (found.lower_mm < required && found.upper_mm >= required &&
        judge_.verifier().clears(from, to, required))
      return required;
    if (judge_.problem().heeded.clearance && !(found.lower_mm >= required)) return std::nullopt;
    return found.lower_mm;
  }

  Checked motion_of(std::size_t i) const {
    const State& from = state(i);
    const State& to = state(i + 1);
    if (from.engaged != to.engaged || from.theta_frozen != to.theta_frozen)
      return refuse(PlanFault::limits, "a motion would move a frozen bend");
    if (!judge_.within_limits_all_along(from, to))
      return refuse(PlanFault::limits, judge_.objection(from, to));
    const auto clearance = enough_clearance(judge_.verifier().clearance(from, to), from, to);
    if (!clearance) return refuse(PlanFault::clearance, judge_.objection(from, to));
    PlannedAction action;
    action.kind = motion_kind(from, to);
    action.clearance_mm = *clearance;
    return action;
  }

  Checked switch_of(std::size_t i) {
    const RouteStep& step = route_.steps[i];
    const State& before = state(i);
    const std::string name = fmt::format("lock {} ", step.lock + 1);
    if (!stands_still(judge_.problem().design, before, step))
      return refuse(PlanFault::lock_switch, name + "would move the body as it switches");
    if (!judge_.switch_allowed(before, step.lock, step.to))
      return refuse(PlanFault::lock_switch, name + "can't be switched there");
    if (!judge_.within_limits_all_along(before, before) || !judge_.within_limits_all_along(step.to, step.to))
      return refuse(PlanFault::limits, name + "would be switched beyond a limit");
    PlannedAction action;
    action.kind = step.engages ? ActionKind::lock : ActionKind::unlock;
    action.lock = step.lock;
    action.clearance_mm = kInfinity;
    // One body but for rounding, and rounding is not proved away.
    for (const std::size_t end : {i, i + 1}) {
      const auto clearance = enough_clearance(clearance_at(end), state(end), state(end));
      if (!clearance) return refuse(PlanFault::clearance, judge_.objection(state(end), state(end)));
      action.clearance_mm = std::min(action.clearance_mm, *clearance);
    }
    return action;
  }

  void go_in() {
    plan_.clearance_mm = kInfinity;
    plan_.clearance_slack_mm = kClearanceSlack_mm;
    arrive_at(0);
    for (std::size_t i = 0; i < in_.size(); ++i) {
      if (in_[i].kind == ActionKind::lock && std::isinf(in_[i].clearance_mm) && bent(state(i + 1)))
        plan_.preset = true;
      act(in_[i], i + 1);
    }
    plan_.reached_state = static_cast<int>(plan_.states.size()) - 1;
  }

  void go_out() {
    for (std::size_t i = in_.size(); i-- > 0;) {
      PlannedAction action = in_[i];
      action.leg = Leg::out;
      action.kind = undone(action.kind);
      act(std::move(action), i);
    }
  }

  void act(PlannedAction action, std::size_t index) {
    action.from = static_cast<int>(plan_.states.size()) - 1;
    action.to = action.from + 1;
    give_field_and_hunt(judge_, plan_.states.back(), action);
    plan_.clearance_mm = std::min(plan_.clearance_mm, action.clearance_mm);
    arrive_at(index);
    plan_.actions.push_back(std::move(action));
  }

  void arrive_at(std::size_t index) {
    plan_.states.push_back({{state(index)}, clearance_at(index).lower_mm});
  }

  const StepJudge& judge_;
  const Route& route_;
  std::vector<std::optional<MotionClearance>> clearances_;  // of the route's states
  std::vector<std::optional<Checked>> motions_;             // of the route's steps, where verified ahead
  std::vector<PlannedAction> in_;
  Plan plan_;
};

}  // namespace

tl::expected<Plan, PlanRefusal> make_plan(const StepJudge& judge, const Route& route) {
  return PlanMaker(judge, route).make();
}

tl::expected<Plan, PlanRefusal> make_plan(const StepJudge& judge, const Route& route, const Route& home) {
  auto plan = make_plan(judge, route);
  if (!plan) return plan;
  auto way = make_way_out(judge, home);
  if (!way) return way;
  if (!(way->states.back() == start_state()))
    return tl::unexpected(PlanRefusal{PlanFault::ends, -1, "the way back out would not end at the start"});
  const int last = static_cast<int>(plan->states.size()) - 1;
  plan->states.insert(plan->states.end(), way->states.begin() + 1, way->states.end());
  for (PlannedAction& action : way->actions) {
    action.from += last;
    action.to += last;
    plan->actions.push_back(std::move(action));
  }
  plan->clearance_mm = std::min(plan->clearance_mm, way->clearance_mm);
  plan->from_elsewhere = true;
  work_out_figures(judge.hardware(), *plan);
  return plan;
}

tl::expected<Plan, PlanRefusal> make_way_out(const StepJudge& judge, const Route& route) {
  return PlanMaker(judge, route).make_way_out();
}

std::optional<PlanRefusal> refusal_of(const StepJudge& judge, const Route& route, const Goal& goal,
                                      std::size_t steps_known) {
  if (auto refusal = PlanMaker(judge, route).refusal_from(steps_known)) return refusal;
  return miss_of(judge.problem().design, goal, route.state_before(route.steps.size()));
}

}  // namespace withy
