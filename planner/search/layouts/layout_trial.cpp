// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/layout_trial.h"

#include <algorithm>

#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"

namespace withy {

namespace {

SearchProblem with_layout(const SearchProblem& base, const Stations& stations, const Clockings& clock_rad) {
  SearchProblem problem = base;
  problem.design = design_with(base.design.parts(), stations, clock_rad).value();
  return problem;
}

/// The strongest field of a route's switches, there and back; nothing when the field forbids one.
std::optional<double> strongest_field(const SearchProblem& problem, const Route& route) {
  const Hardware hardware(problem.design);
  double most = 0.0;
  if (!hardware.checks_field()) return most;
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const RouteStep& step = route.steps[i];
    if (step.lock < 0) continue;
    for (const State* state : {&route.state_before(i), &step.to}) {
      const FieldNeed need = hardware.switch_need(*state, step.lock);
      if (!need.allowed()) return std::nullopt;
      most = std::max(most, need.strength_mT());
    }
  }
  return most;
}

/// Nothing where the route is no plan when verified (make_plan.h).
std::optional<PlacedDesign> placed(const SearchProblem& problem, const Route& route, double field_mT) {
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  auto plan = make_plan(judge, route);
  if (!plan) return std::nullopt;
  return PlacedDesign{problem.design.layout(), std::move(*plan), route.switches(), field_mT, 0};
}

/// What one search came to.
struct Searched {
  SearchOutcome outcome = SearchOutcome::stopped;
  Route route;  ///< tidied, after `found`
  std::int64_t work = 0;
};

Searched search_for_route(const SearchProblem& problem, std::int64_t most_work,
                          const std::function<bool()>& stop) {
  RouteSearchSettings settings;
  settings.most_work = most_work;
  settings.stop = stop;
  RouteSearch search(problem, settings);
  Searched searched;
  searched.outcome = search.run();
  searched.work = search.work();
  if (searched.outcome == SearchOutcome::found) searched.route = tidy(search.judge(), search.route());
  return searched;
}

}  // namespace

LayoutTrials::LayoutTrials(const SearchProblem& base, std::vector<Clockings> clockings,
                           std::function<bool()> stop)
    : base_(base), clockings_(std::move(clockings)), stop_(std::move(stop)) {}

/// The route with the clocking that asks for the weakest field; nothing when no clocking allows it.
std::optional<PlacedDesign> LayoutTrials::weakest(const SearchProblem& problem, const Route& route) const {
  std::optional<double> least;
  const Clockings* best = nullptr;
  for (const Clockings& clock_rad : clockings_) {
    const SearchProblem clocked = with_layout(base_, problem.design.layout().station_mm, clock_rad);
    const auto field = strongest_field(clocked, route);
    if (!field || (least && *field >= *least)) continue;
    least = field;
    best = &clock_rad;
  }
  if (best == nullptr) return std::nullopt;
  SearchProblem clocked = with_layout(base_, problem.design.layout().station_mm, *best);
  clocked.required_clearance_mm = problem.required_clearance_mm;
  return placed(clocked, route, *least);
}

Trial LayoutTrials::ask(const Stations& stations, double clearance_mm, std::int64_t most_work) {
  const std::int64_t before = work_;
  Trial trial = ask_any_clocking(stations, clearance_mm, most_work);
  if (trial.design) trial.design->work = work_ - before;
  return trial;
}

Trial LayoutTrials::ask_any_clocking(const Stations& stations, double clearance_mm, std::int64_t most_work) {
  SearchProblem problem = with_layout(base_, stations, clockings_.front());
  problem.required_clearance_mm = clearance_mm;
  problem.heeded.field = false;
  const Searched searched = search_for_route(problem, most_work, stop_);
  work_ += searched.work;
  if (searched.outcome == SearchOutcome::proved_none) return {Verdict::unreachable, std::nullopt};
  if (searched.outcome == SearchOutcome::stopped) return {Verdict::undecided, std::nullopt};
  if (auto design = weakest(problem, searched.route)) return {Verdict::reached, std::move(design)};
  return ask_each_clocking(stations, clearance_mm, most_work);
}

/// The field forbids the way that was found: is there another?
Trial LayoutTrials::ask_each_clocking(const Stations& stations, double clearance_mm, std::int64_t most_work) {
  bool all_proved = true;
  std::int64_t left = most_work;
  for (const Clockings& clock_rad : clockings_) {
    if (left <= 0) return {Verdict::undecided, std::nullopt};
    SearchProblem problem = with_layout(base_, stations, clock_rad);
    problem.required_clearance_mm = clearance_mm;
    const Searched searched = search_for_route(problem, left, stop_);
    work_ += searched.work;
    left -= searched.work;
    if (searched.outcome == SearchOutcome::found)
      if (const auto field = strongest_field(problem, searched.route))
        if (auto design = placed(problem, searched.route, *field))
          return {Verdict::reached, std::move(design)};
    all_proved = all_proved && searched.outcome == SearchOutcome::proved_none;
  }
  return {all_proved ? Verdict::unreachable : Verdict::undecided, std::nullopt};
}

}  // namespace withy
