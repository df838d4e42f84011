// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/layout_trial.h"

#include <algorithm>
#include <cmath>

#include "geometry/numbers/numbers.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/via_routes.h"
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

/// What a route's switches, there and back, come to: the strongest field and the least reserve.
struct SwitchingNeed {
  double field_mT = 0.0;
  double reserve = kInfinity;
};

/// Nothing when the field forbids a switch, or the magnets one another.
std::optional<SwitchingNeed> switching_need(const SearchProblem& problem, const Route& route) {
  const Hardware hardware(problem.design);
  SwitchingNeed need;
  if (!hardware.checks_field()) return need;
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const RouteStep& step = route.steps[i];
    if (step.lock < 0) {
      if (hardware.coupling_motion_breach(route.state_before(i), step.to)) return std::nullopt;
      continue;
    }
    for (const State* state : {&route.state_before(i), &step.to}) {
      if (hardware.coupling_breach(*state) || !hardware.may_switch(*state, step.lock)) return std::nullopt;
      const auto choice = hardware.switch_choice(*state, step.lock);
      if (!choice) return std::nullopt;
      need.field_mT = std::max(need.field_mT, choice->currents.strength_mT);
      need.reserve = std::min(need.reserve, choice->currents.reserve);
    }
  }
  return need;
}

/// Reserves this close count as alike: what is wanted is had to rounding, and a weaker field is then better.
constexpr double kReserveAlike = 1e-3;

/// Has `a` more reserve, or as much of it with a weaker field?
bool better(const SwitchingNeed& a, const SwitchingNeed& b, double wanted) {
  const double of_a = std::min(a.reserve, wanted);
  const double of_b = std::min(b.reserve, wanted);
  if (std::abs(of_a - of_b) > kReserveAlike) return of_a > of_b;
  return a.field_mT < b.field_mT;
}

/// Nothing where the route is no plan when verified (make_plan.h).
std::optional<PlacedDesign> placed(const SearchProblem& problem, const Route& route,
                                   const SwitchingNeed& need) {
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  auto plan = make_plan(judge, route);
  if (!plan) return std::nullopt;
  return PlacedDesign{problem.design.layout(), std::move(*plan), route.switches(),
                      need.field_mT,           need.reserve,     0};
}

}  // namespace

LayoutTrials::LayoutTrials(const SearchProblem& base, std::vector<Clockings> clockings, const Effort& effort,
                           Certified certified)
    : base_(base), clockings_(std::move(clockings)), effort_(effort), certified_(std::move(certified)) {}

/// The route with the clocking that switches with the most reserve, up to what is wanted, and of those with
/// the weakest field; nothing when no clocking allows it.
std::optional<PlacedDesign> LayoutTrials::surest(const SearchProblem& problem, const Route& route) const {
  std::optional<SwitchingNeed> least;
  const Clockings* best = nullptr;
  for (const Clockings& clock_rad : clockings_) {
    if (effort_.cut_short()) break;
    const SearchProblem clocked = with_layout(base_, problem.design.layout().station_mm, clock_rad);
    const auto need = switching_need(clocked, route);
    if (!need || (least && !better(*need, *least, reserve_wanted(clocked.design)))) continue;
    least = need;
    best = &clock_rad;
  }
  if (best == nullptr) return std::nullopt;
  SearchProblem clocked = with_layout(base_, problem.design.layout().station_mm, *best);
  clocked.required_clearance_mm = problem.required_clearance_mm;
  return placed(clocked, route, *least);
}

bool LayoutTrials::wants_certificate(const SearchProblem& problem) const {
  return certified_ && problem.required_clearance_mm <= base_.required_clearance_mm;
}

LayoutTrials::Searched LayoutTrials::search(const SearchProblem& problem, std::int64_t most_work) {
  RouteSearchSettings settings;
  settings.spans = true;
  settings.effort = effort_.renewed(most_work);
  RouteSearch search(problem, settings);
  Searched searched;
  if (problem.vias.empty()) {
    searched.outcome = search.run(problem.goal);
  } else {
    ViaRoute by = route_by_vias(problem, search);
    searched.outcome = by.outcome;
    searched.route = std::move(by.route);
    if (by.outcome == SearchOutcome::proved_none && by.place < problem.vias.size()) searched.place = by.place;
  }
  searched.work = search.work();
  if (searched.outcome == SearchOutcome::found && problem.vias.empty())
    searched.route = tidy(search.judge(), search.route(), settings.effort);
  if (searched.outcome == SearchOutcome::proved_none && wants_certificate(problem)) {
    searched.certificate =
        certify(about_place(problem, searched.place.value_or(problem.vias.size())), search, settings);
    searched.certificate->header.via = searched.place;
    const LockLayout& layout = problem.design.layout();
    searched.certificate->header.layout = recheck::ProvedLayout{layout.station_mm, std::nullopt};
    if (problem.heeded.field) searched.certificate->header.layout->clock_rad = layout.clock_rad;
  }
  work_ += searched.work;
  return searched;
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
  Searched searched = search(problem, most_work);
  if (searched.outcome == SearchOutcome::proved_none) {
    if (searched.certificate) certified_(std::move(*searched.certificate));
    Trial trial{Verdict::unreachable, std::nullopt};
    if (searched.place) trial.places.insert(*searched.place);
    return trial;
  }
  if (searched.outcome == SearchOutcome::stopped) return {Verdict::undecided, std::nullopt};
  if (auto design = surest(problem, searched.route)) return {Verdict::reached, std::move(design)};
  return ask_each_clocking(stations, clearance_mm, most_work);
}

/// The field forbids the route that was found: is there another?
Trial LayoutTrials::ask_each_clocking(const Stations& stations, double clearance_mm, std::int64_t most_work) {
  bool all_proved = true;
  std::set<std::size_t> places;
  std::vector<recheck::Certificate> certificates;
  std::int64_t left = most_work;
  for (const Clockings& clock_rad : clockings_) {
    if (left <= 0 || effort_.cut_short()) return {Verdict::undecided, std::nullopt};
    SearchProblem problem = with_layout(base_, stations, clock_rad);
    problem.required_clearance_mm = clearance_mm;
    Searched searched = search(problem, left);
    left -= searched.work;
    if (searched.outcome == SearchOutcome::found)
      if (const auto need = switching_need(problem, searched.route))
        if (auto design = placed(problem, searched.route, *need))
          return {Verdict::reached, std::move(design)};
    all_proved = all_proved && searched.outcome == SearchOutcome::proved_none;
    if (searched.place) places.insert(*searched.place);
    if (searched.certificate) certificates.push_back(std::move(*searched.certificate));
  }
  if (!all_proved) return {Verdict::undecided, std::nullopt};
  for (recheck::Certificate& certificate : certificates) certified_(std::move(certificate));
  return {Verdict::unreachable, std::nullopt, std::move(places)};
}

}  // namespace withy
