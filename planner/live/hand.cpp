// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/hand.h"

#include <algorithm>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include "planner/effort/shares.h"
#include "planner/live/objections.h"
#include "planner/search/ask/places_on_way.h"
#include "planner/search/route/joining.h"
#include "planner/segment/latch.h"

namespace withy {
namespace {

State moved(const State& state, double insertion_mm, const Eigen::Vector2d& u_free) {
  State to = state;
  to.insertion_mm = insertion_mm;
  to.u_free = u_free;
  return to;
}

bool is_motion(const RouteStep& step) {
  return step.lock < 0;
}

/// The latched bend nearest to `sum`.
std::optional<Eigen::Vector2d> nearest_notch(const std::optional<LatchHardware>& latch,
                                             const Eigen::Vector2d& sum) {
  if (!latch) return sum;
  switch (lattice_kind(*latch)) {
    case LatticeKind::everything:
      return sum;
    case LatticeKind::lines: {
      LatchHardware wide = *latch;  // takes every bend to the line beside it
      wide.engage_window_mm = 0.5 * wide.notch_pitch_mm;
      return latched_bend(wide, sum);
    }
    case LatticeKind::points:
      break;
  }
  // The straight bend is a notch of every latch, so this holds one.
  const double reach_rad = sum.norm() + latch->notch_pitch_mm / latch->backbone_radius_mm;
  const auto notches = lattice_points(exact_latch(*latch), sum, reach_rad);
  const auto nearest = std::min_element(notches.begin(), notches.end(), [&](const auto& a, const auto& b) {
    return (a - sum).squaredNorm() < (b - sum).squaredNorm();
  });
  return nearest == notches.end() ? std::nullopt : std::optional<Eigen::Vector2d>(*nearest);
}

/// The step that undoes step `k` of a route.
RouteStep undoing(const Route& route, std::size_t k) {
  return {route.steps[k].lock, !route.steps[k].engages, route.state_before(k)};
}

/// What forbids that the body stands so while a lock switches, as make_plan has it; empty when nothing does.
/// A motion that was proved to keep its distance may end where the body at rest, looked at by itself, is too
/// near the wall to tell.
std::string standing_objection(const StepJudge& judge, const State& state) {
  if (!judge.within_limits_all_along(state, state)) return motion_objection(judge, state, state);
  if (!judge.problem().heeded.clearance) return {};
  const double required = judge.problem().required_clearance_mm;
  if (judge.verifier().clears(state, state, required) ||
      judge.verifier().clearance(state).lower_mm >= required)
    return {};
  return fmt::format("it can't be proved that the body at rest there keeps {:.4g} mm from the wall",
                     required);
}

/// Can these steps be made from here, as make_plan has it?
bool can_be_made(const StepJudge& judge, const State& here, const std::vector<RouteStep>& steps) {
  if (!steps_allowed(judge, here, steps)) return false;
  const State* at = &here;
  for (const RouteStep& step : steps) {
    if (!is_motion(step) && !switch_objection(judge, *at, step.lock, step.to).empty()) return false;
    at = &step.to;
  }
  return true;
}

/// Would a way that leaves out `middle` pass fewer of the places to pass, wherever it stood before?
bool passes_less(const SearchProblem& problem, const State& from, const State& middle, const State& to) {
  for (std::size_t next = 0; next < problem.vias.size(); ++next) {
    const std::size_t there = pass_places(problem, next, from);
    if (pass_places(problem, pass_places(problem, there, middle), to) > pass_places(problem, there, to))
      return true;
  }
  return false;
}

/// Adds a step; of motions of one kind that follow one another one is made where that is allowed and passes
/// no fewer places.
void join(const StepJudge& judge, Route& route, RouteStep step) {
  if (is_motion(step) && !route.steps.empty() && is_motion(route.steps.back())) {
    const State& from = route.state_before(route.steps.size() - 1);
    const State& middle = route.steps.back().to;
    const ActionKind whole = motion_kind(from, step.to);
    if (passes_less(judge.problem(), from, middle, step.to)) {
      route.steps.push_back(std::move(step));
      return;
    }
    if (motion_kind(from, middle) == motion_kind(middle, step.to) && whole == motion_kind(from, middle) &&
        judge.motion_allowed(from, step.to)) {
      route.steps.back() = std::move(step);
      if (route.steps.back().to == from) route.steps.pop_back();
      return;
    }
    if (step.to == from) {
      route.steps.pop_back();
      return;
    }
  }
  route.steps.push_back(std::move(step));
}

/// From which state of a route its rest passes the places to pass from the n-th on: `rest[n]` is the last
/// such state. Rests from earlier states do too.
std::vector<std::size_t> last_rests(const SearchProblem& problem, const Route& way) {
  std::vector<std::size_t> rest(problem.vias.size() + 1, way.steps.size());
  for (std::size_t n = problem.vias.size(); n-- > 0;) {
    // The last state at place n from which the rest passes those after it.
    std::size_t k = rest[n + 1];
    while (k > 0 && pass_places(problem, n, way.state_before(k)) == n) --k;
    rest[n] = k;
  }
  return rest;
}

}  // namespace

std::optional<Eigen::Vector2d> notch_curvature(const Design& design, const State& state, int lock) {
  if (region_index(state.engaged, lock) < state.theta_frozen.size()) return std::nullopt;
  const auto regions = regions_of(design, state);
  const double before =
      exposed_flexible_length(design, state.insertion_mm, regions.back().from_mm, design.station_mm(lock));
  if (before <= kNoLength_mm) return std::nullopt;
  Eigen::Vector2d held = Eigen::Vector2d::Zero();
  for (const Eigen::Vector2d& theta : state.theta_frozen) held += theta;
  const auto bend = nearest_notch(design.latch(), held + before * state.u_free);
  return bend ? std::optional<Eigen::Vector2d>((*bend - held) / before) : std::nullopt;
}

std::string switch_objection(const StepJudge& judge, const State& before, int lock, const State& after) {
  if (judge.switch_allowed(before, lock, after)) {
    auto objection = standing_objection(judge, before);
    return objection.empty() ? standing_objection(judge, after) : objection;
  }
  const Design& design = judge.problem().design;
  const bool engages = !before.engaged.test(static_cast<std::size_t>(lock));
  if (!unlock_keeps_shape(design, engages ? after : before, lock))
    return fmt::format("the body would snap: the curvatures on both sides of lock {} differ", lock + 1);
  if (judge.problem().heeded.field)
    for (const State* state : {&before, &after}) {
      if (const auto breach = judge.hardware().coupling_breach(*state)) return breach->sentence();
      if (const auto breach = judge.hardware().switch_breach(*state, lock)) return breach->sentence();
    }
  return fmt::format("lock {} is on no notch", lock + 1);
}

/// A motion whose tip goes through places to pass is kept in parts that end there: a plan passes a place
/// where one of its states is.
void Hand::add(const StepJudge& judge, RouteStep step) {
  const SearchProblem& problem = judge.problem();
  std::size_t next = problem.vias.empty() ? 0 : pass_places(problem, 0, route_);
  while (is_motion(step) && next < problem.vias.size()) {
    const State from = state();
    const auto at = first_at(problem, next, from, step.to);
    if (!at || *at <= 0.0 || *at >= 1.0) break;
    const State there = interpolate(from, step.to, *at);
    const std::size_t passed = pass_places(problem, next, there);
    if (passed == next || !judge.motion_allowed(from, there) || !judge.motion_allowed(there, step.to)) break;
    join(judge, route_, {-1, false, there});
    next = passed;
  }
  join(judge, route_, std::move(step));
}

HandOutcome Hand::move(const StepJudge& judge, double insertion_mm, const Eigen::Vector2d& u_free) {
  const State from = state();
  const State to = moved(from, insertion_mm, u_free);
  if (to == from) return {};
  if (route_.steps.size() >= shares::kHandSteps) return {false, "the sequence is as long as one can be"};
  if (judge.motion_allowed(from, to)) {
    add(judge, {-1, false, to});
    return {};
  }
  double allowed = 0.0;
  double step = 0.5;
  for (int i = 0; i < shares::kHandHalvings; ++i, step *= 0.5)
    if (judge.motion_allowed(from, interpolate(from, to, allowed + step))) allowed += step;
  if (allowed > 0.0) add(judge, {-1, false, interpolate(from, to, allowed)});
  return {false, motion_objection(judge, from, to)};
}

HandOutcome Hand::engage(const StepJudge& judge, int lock) {
  const Design& design = judge.problem().design;
  const auto u = notch_curvature(design, state(), lock);
  if (u && *u != state().u_free) {
    const State at_notch = moved(state(), state().insertion_mm, *u);
    if (!judge.motion_allowed(state(), at_notch))
      return {false, fmt::format("the way to the nearest notch is not free: {}",
                                 motion_objection(judge, state(), at_notch))};
    const State after = after_lock(design, at_notch, lock);
    if (auto objection = switch_objection(judge, at_notch, lock, after); !objection.empty())
      return {false, std::move(objection)};
    add(judge, {-1, false, at_notch});
  }
  const State after = after_lock(design, state(), lock);
  if (auto objection = switch_objection(judge, state(), lock, after); !objection.empty())
    return {false, std::move(objection)};
  add(judge, {lock, true, after});
  return {};
}

HandOutcome Hand::release(const StepJudge& judge, int lock) {
  const Design& design = judge.problem().design;
  if (!unlock_keeps_shape(design, state(), lock)) {
    const auto even = withy::switch_state(design, state(), lock, state().insertion_mm);
    if (!even || !judge.motion_allowed(state(), *even))
      return {false, even ? fmt::format("the way to the bend that it is released in is not free: {}",
                                        motion_objection(judge, state(), *even))
                          : fmt::format("a lock beyond lock {} holds another bend", lock + 1)};
    const State after = after_unlock(design, *even, lock);
    if (auto objection = switch_objection(judge, *even, lock, after); !objection.empty())
      return {false, std::move(objection)};
    add(judge, {-1, false, *even});
  }
  const State after = after_unlock(design, state(), lock);
  if (auto objection = switch_objection(judge, state(), lock, after); !objection.empty())
    return {false, std::move(objection)};
  add(judge, {lock, false, after});
  return {};
}

HandOutcome Hand::switch_lock(const StepJudge& judge, int lock) {
  if (route_.steps.size() + 2 > shares::kHandSteps) return {false, "the sequence is as long as one can be"};
  return state().engaged.test(static_cast<std::size_t>(lock)) ? release(judge, lock) : engage(judge, lock);
}

void Hand::back() {
  if (!route_.steps.empty()) route_.steps.pop_back();
}

std::optional<std::pair<std::size_t, std::string>> Hand::fault(const StepJudge& judge) const {
  for (std::size_t k = 0; k < route_.steps.size(); ++k) {
    const State& from = route_.state_before(k);
    const RouteStep& step = route_.steps[k];
    if (is_motion(step)) {
      if (judge.motion_allowed(from, step.to)) continue;
      return std::pair(k, motion_objection(judge, from, step.to));
    }
    if (auto why = switch_objection(judge, from, step.lock, step.to); !why.empty())
      return std::pair(k, std::move(why));
  }
  return std::nullopt;
}

Route onward_route(const StepJudge& judge, const Route& driven, const Route& way) {
  const SearchProblem& problem = judge.problem();
  const std::vector<std::size_t> rests = last_rests(problem, way);
  Route route = driven;
  std::size_t next = problem.vias.empty() ? 0 : pass_places(problem, 0, driven);
  for (std::size_t left = driven.steps.size();; --left) {
    const State& here = driven.state_before(left);
    next = pass_places(problem, next, here);
    for (std::size_t k = rests[next] + 1; k-- > 0;) {
      const State& there = way.state_before(k);
      const auto steps = joining_steps(problem.design, here, there);
      if (!steps || !can_be_made(judge, here, *steps)) continue;
      route.steps.insert(route.steps.end(), steps->begin(), steps->end());
      route.steps.insert(route.steps.end(), way.steps.begin() + static_cast<std::ptrdiff_t>(k),
                         way.steps.end());
      return route;
    }
    if (left == 0) break;  // can't be: the way begins where the hand began
    route.steps.push_back(undoing(driven, left - 1));
  }
  return route;
}

}  // namespace withy
