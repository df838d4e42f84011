// SPDX-License-Identifier: GPL-3.0-or-later
// The desk's requests about the segment that is driven by hand.
#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/live/answer_files.h"
#include "planner/live/desk.h"
#include "planner/live/driver.h"
#include "planner/live/figures_json.h"
#include "planner/live/objections.h"
#include "planner/script/plan_check.h"
#include "planner/search/ask/places_on_way.h"
#include "planner/search/ask/solve.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

int locks_of(const JsonNode& root) {
  const JsonNode node = root.at("locks");
  const int locks = node.count();
  if (locks > kMaxLocks)
    node.fault(fmt::format("{} locks are asked for", locks), fmt::format("give 0 to {}", kMaxLocks));
  return std::min(locks, kMaxLocks);
}

/// The first steps of a plan, as many as its first actions.
Route route_of(const Plan& plan, std::size_t actions) {
  Route route;
  for (std::size_t k = 0; k < std::min(actions, plan.actions.size()); ++k) {
    const PlannedAction& action = plan.actions[k];
    route.steps.push_back(
        {action.lock, action.kind == ActionKind::lock, plan.states[static_cast<std::size_t>(action.to)]});
  }
  return route;
}

/// The way in.
std::size_t actions_in(const Plan& plan) {
  return static_cast<std::size_t>(std::count_if(plan.actions.begin(), plan.actions.end(),
                                                [](const PlannedAction& a) { return a.leg == Leg::in; }));
}

/// Of each place to pass, the state of the way in that passes it; fewer where some are not passed.
std::vector<int> via_states(const SearchProblem& problem, const Plan& plan) {
  std::vector<int> states;
  for (int k = 0; k <= plan.reached_state; ++k) {
    const std::size_t passed = pass_places(problem, states.size(), plan.states[static_cast<std::size_t>(k)]);
    states.resize(passed, k);
  }
  return states;
}

std::string driven_sentence(const SearchProblem& problem, const Plan& plan) {
  const Eigen::Isometry3d& tip_E = plan.states[static_cast<std::size_t>(plan.reached_state)].tip_E;
  return fmt::format(
      "driven by hand: the tip comes within {:.2f} mm of the target, {} actions in and as many back out, {}",
      problem.goal.distance(tip_E), actions_in(plan),
      std::isfinite(plan.clearance_mm) ? fmt::format("clearance at least {:.2f} mm", plan.clearance_mm)
                                       : std::string("never inside the channel"));
}

Answer answer_of(const SearchProblem& problem, Plan plan) {
  Answer answer;
  answer.verdict = Verdict::reached;
  answer.locks = problem.design.lock_count();
  plan.via_states = via_states(problem, plan);
  answer.why = driven_sentence(problem, plan);
  if (const PlannedAction* action = plan.without_hunt())
    answer.why +=
        fmt::format("; reserve 0: the hunt at lock {} {}", action->lock + 1, action->hunt->objection);
  list_checked(problem, answer.checked, answer.not_checked);
  // Judged with the ideal segment.
  if (problem.design.elastic()) answer.not_checked.emplace_back(kElasticChecked);
  answer.plan = std::move(plan);
  return answer;
}

/// What `Hand::fault` found, in words.
std::string stale_step(const std::pair<std::size_t, std::string>& fault) {
  return fmt::format("step {} no longer stands: {}", fault.first + 1, fault.second);
}

/// What make_plan found against what was driven, in the words that the hand has for it.
std::string driven_fault(const Hand& hand, const StepJudge& judge, const PlanRefusal& refusal) {
  if (refusal.fault == PlanFault::target) {
    const SearchProblem& problem = judge.problem();
    return target_objection(problem.goal, Shape(problem.design, hand.state()).tip_E());
  }
  const auto fault = hand.fault(judge);
  return fault && std::cmp_equal(fault->first, refusal.step) ? fault->second : refusal.sentence;
}

}  // namespace

/// Precondition: driving_ is held.
tl::expected<Driver*, Desk::Refusal> Desk::driver(int locks) {
  const auto scene = now();
  auto& kept = drivers_[locks];
  if (kept && kept->scene == scene) return kept.get();
  auto problem = make_problem(scene->prepared, locks);
  if (!problem) return tl::unexpected(Refusal{problem.error().message()});
  kept = std::make_unique<Driver>(scene, std::move(*problem));
  driven_.erase(locks);
  return kept.get();
}

/// Precondition: driving_ is held.
Desk::Outcome Desk::hand_json(int locks, Driver& driver, const HandOutcome& outcome) {
  const Hand& hand = hands_[locks];
  Json out = figures_json(*driver.scene, driver.judge, hand.state());
  out["revision"] = driver.scene->revision;
  out["locks_driven"] = locks;
  out["driven"] = questions_.table().driven;
  out["made"] = outcome.made;
  out["objection"] = outcome.objection;
  out["unkept"] = unkept();
  out["steps"] = steps_json(driver.problem.design, hand.route());
  out["insertion_max_mm"] = driver.problem.design.carriage().insertion_max_mm;
  out["curvature_max_per_mm"] = driver.problem.design.segment().curvature_max_per_mm;
  return out.dump();
}

/// The same after the hand has moved: what was verified of it before is stale, and it is not saved yet.
Desk::Outcome Desk::driven_on(int locks, Driver& driver, const HandOutcome& outcome) {
  driven_.erase(locks);
  questions_.note_driven();
  keep_unsaved();
  return hand_json(locks, driver, outcome);
}

/// Lets nobody else drive meanwhile; where the request was found at fault, nothing is done.
Desk::Outcome Desk::with_driver(const JsonFile& request, int locks, const Act& act) {
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const std::lock_guard alone(driving_);
  const auto drive = driver(locks);
  if (!drive) return tl::unexpected(drive.error());
  return act(locks, **drive);
}

/// Of a request that names a lock count and nothing else.
Desk::Outcome Desk::with_driver(JsonFile& request, const Act& act) {
  const JsonNode root = request.root();
  root.expect_keys({"locks"});
  return with_driver(request, locks_of(root), act);
}

Desk::Outcome Desk::tell_hand(JsonFile& request) {
  return with_driver(request, [this](int locks, Driver& driver) {
    const auto fault = hands_[locks].fault(driver.judge);
    return hand_json(locks, driver, fault ? HandOutcome{false, stale_step(*fault)} : HandOutcome{});
  });
}

Desk::Outcome Desk::drive(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks", "insertion_mm", "curvature_per_mm"});
  const int of = locks_of(root);
  const double insertion_mm = root.at("insertion_mm").number();
  const auto u = root.at("curvature_per_mm").numbers(2);
  return with_driver(request, of, [&](int locks, Driver& driver) {
    const Design& design = driver.problem.design;
    // A hand that goes past the end of the slide stays at its end.
    const double d = std::clamp(insertion_mm, 0.0, design.carriage().insertion_max_mm);
    return driven_on(locks, driver,
                     hands_[locks].move(driver.judge, d, clamp_to_curvature_disk(design, {u[0], u[1]})));
  });
}

Desk::Outcome Desk::switch_lock(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks", "lock"});
  const int of = locks_of(root);
  const int lock = root.at("lock").count();
  if (lock < 1 || lock > of)
    root.fault(fmt::format("there is no lock {} of {}", lock, of),
               of == 0 ? "give a lock count with locks" : fmt::format("give 1 to {}", of));
  return with_driver(request, of, [&](int locks, Driver& driver) {
    return driven_on(locks, driver, hands_[locks].switch_lock(driver.judge, lock - 1));
  });
}

Desk::Outcome Desk::back(JsonFile& request) {
  return with_driver(request, [this](int locks, Driver& driver) {
    hands_[locks].back();
    return driven_on(locks, driver, {});
  });
}

Desk::Outcome Desk::reset(JsonFile& request) {
  return with_driver(request, [this](int locks, Driver& driver) {
    hands_[locks].reset();
    return driven_on(locks, driver, {});
  });
}

Desk::Outcome Desk::take(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks", "actions"});
  const int of = locks_of(root);
  const int actions = root.at("actions").count();
  return with_driver(request, of, [&](int locks, Driver& driver) -> Outcome {
    const auto plan = answer_for(locks, false);
    if (!plan) return tl::unexpected(plan.error());
    if (!plan->answer->plan) return tl::unexpected(Refusal{"there is no plan to take over"});
    hands_[locks].take(route_of(*plan->answer->plan, static_cast<std::size_t>(actions)));
    return driven_on(locks, driver, {});
  });
}

Desk::Outcome Desk::onward(JsonFile& request) {
  return with_driver(request, [this](int locks, Driver& driver) -> Outcome {
    const auto plan = answer_for(locks, false);
    if (!plan) return tl::unexpected(plan.error());
    if (!plan->answer->plan)
      return tl::unexpected(
          Refusal{fmt::format("no way on: every action can be undone, so the target can be reached from here "
                              "only if it can be from the "
                              "start, and that is {}",
                              name_of(plan->answer->verdict))});
    Hand& hand = hands_[locks];
    if (const auto fault = hand.fault(driver.judge)) return tl::unexpected(Refusal{stale_step(*fault)});
    const Plan& way = *plan->answer->plan;
    hand.take(onward_route(driver.judge, hand.route(), route_of(way, actions_in(way))));
    return driven_on(locks, driver, {});
  });
}

Desk::Outcome Desk::verify(JsonFile& request) {
  return with_driver(request, [this](int locks, Driver& driver) -> Outcome {
    auto plan = make_plan(driver.judge, hands_[locks].route());
    if (!plan)
      return Json{{"holds", false},
                  {"step", plan.error().step < 0 ? Json(nullptr) : Json(plan.error().step + 1)},
                  {"why", driven_fault(hands_[locks], driver.judge, plan.error())}}
          .dump();
    // The rules that are no single step's: the places to pass among them.
    const Scene& scene = driver.scene->prepared.scene;
    if (const auto defect =
            made_plan_defect(*plan, {scene, driver.judge.verifier(), driver.problem.required_clearance_mm}))
      return Json{{"holds", false},
                  {"step", defect->action < 0 ? Json(nullptr) : Json(defect->action + 1)},
                  {"why", defect->problem}}
          .dump();
    const auto problem = std::make_shared<const SearchProblem>(driver.problem);
    const auto answer = std::make_shared<const Answer>(answer_of(*problem, std::move(*plan)));
    driven_[locks] = {driver.scene, problem, answer};
    return Json{{"holds", true},
                {"step", nullptr},
                {"why", answer->why},
                {"not_checked", answer->not_checked},
                {"save_s", seconds_to_save(*driver.scene, *problem, *answer->plan)}}
        .dump();
  });
}

}  // namespace withy
