// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/route_search.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "geometry/numbers/numbers.h"
#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/no_switch.h"
#include "planner/proof/relaxations/tip_passage.h"
#include "planner/search/route/notched_twin.h"
#include "planner/search/route/reached_cells.h"
#include "planner/segment/shape.h"

namespace withy {

RouteSearch::RouteSearch(const SearchProblem& problem, RouteSearchSettings settings)
    : problem_(problem),
      settings_(std::move(settings)),
      store_(problem, settings_.finest_travel_mm),
      gate_(store_),
      work_(store_.probe(), settings_),
      judge_(problem, store_.probe().hardware()),
      known_(store_),
      threader_(store_, known_, judge_) {
  if (!settings_.relaxations || !problem_.heeded.field) return;
  switchless_ = no_lock_ever_engages(store_.probe().hardware(), shares::kNoSwitchBoxes, settings_.effort);
  if (switchless_) settings_.most_switches = 0;
}

SearchOutcome RouteSearch::run(const Goal& goal) {
  goal_ = goal;
  best_approach_.reset();
  proof_ = ProofKind::cells;
  relaxations_due_ = settings_.relaxations;
  begin_spans();
  start_over();
  return resume();
}

SearchOutcome RouteSearch::run(const Goal& goal, std::int64_t more_work) {
  settings_.effort = settings_.effort.renewed(work() + more_work);
  return run(goal);
}

/// What is left are the cells.
void RouteSearch::start_over() {
  cell_search_.emplace(goal_, settings_, store_, gate_, work_);
}

SearchOutcome RouteSearch::resume() {
  if (cell_search_->cut_short()) start_over();
  if (auto found = without_cells()) {
    found_ = std::move(*found);
    return SearchOutcome::found;
  }
  if (prove_by_relaxations()) return SearchOutcome::proved_none;
  if (!spans_tried_ && prove_by_spans(first_span_work())) return SearchOutcome::proved_none;
  if (auto route = try_notches()) {
    found_ = {std::move(*route), 0, 0};
    return SearchOutcome::found;
  }
  return search_cells();
}

/// Once for each goal.
bool RouteSearch::prove_by_relaxations() {
  if (!std::exchange(relaxations_due_, false) || goal_.region) return false;
  const Design& design = problem_.design;
  if (beyond_all_curves(
          design, {goal_.point_E, goal_.tolerance_mm, goal_.direction_E, goal_.direction_tolerance_rad})) {
    proof_ = ProofKind::no_tip_there;
    return true;
  }
  if (!problem_.heeded.clearance) return false;
  // No thicker where a thick lock ends the segment: what these prove is said to hold wherever the locks sit.
  const TipBall ball{design.segment().radius_mm, problem_.required_clearance_mm, goal_.point_E,
                     goal_.tolerance_mm};
  if (no_room_at_target(problem_.distance->exact(), ball)) {
    proof_ = ProofKind::no_tip_there;
    return true;
  }
  const auto field = problem_.distance->field_pointer();
  if (!field) return false;
  const TipPassage passage = tip_passage(field, ball, shares::kPassageCubes, settings_.effort);
  work_.add_other(shares::kCellWork * passage.cubes);
  if (passage.sealed) proof_ = passage.no_room ? ProofKind::no_tip_there : ProofKind::no_way_of_tip;
  return passage.sealed;
}

/// They prove that there is no way, with whatever switches: they are not asked where switches are limited.
void RouteSearch::begin_spans() {
  spans_due_ = settings_.spans && !settings_.limits_switches();
  spans_tried_ = spans_begun_ = false;
  spans_at_ = shares::kSpanAgainAfter;
  run_from_ = work_.done();
  work_.pause_at(Effort::kAnyWork);
}

/// A question that may take little is asked little of them.
std::int64_t RouteSearch::first_span_work() const {
  const std::int64_t left = std::max<std::int64_t>(0, settings_.effort.work() - work_.done());
  return std::min(settings_.span_work, left / shares::kSpanFirstShare);
}

/// Goes on with them until they have taken so much for this goal.
bool RouteSearch::prove_by_spans(std::int64_t most_work) {
  spans_tried_ = true;
  if (!spans_due_ || most_work <= 0) return false;
  if (!spans_) spans_.emplace(problem_);
  if (!spans_begun_) spans_->begin(goal_);
  spans_begun_ = true;
  const std::int64_t before = spans_->work() - spans_->work_at_goal();
  const auto outcome = spans_->run(settings_.effort.renewed(before + most_work));
  spans_due_ = outcome == SpanProof::Outcome::stopped;
  if (outcome != SpanProof::Outcome::proved) return false;
  work_.add_other(spans_->work_at_goal());
  proof_ = ProofKind::no_switch_in;
  return true;
}

/// The same once the cells have taken enough; when that is the case next is told to them.
bool RouteSearch::spans_prove_by_now() {
  if (!spans_due_) return false;
  const std::int64_t taken = work_.done() - run_from_;
  if (taken >= spans_at_) {
    while (taken >= spans_at_) spans_at_ *= shares::kSpanAgainTimes;
    if (prove_by_spans(taken / shares::kSpanShare)) return true;
  }
  work_.pause_at(spans_due_ ? run_from_ + spans_at_ : Effort::kAnyWork);
  return false;
}

std::optional<FoundRoute> RouteSearch::without_cells() {
  const State& start = problem_.start;
  if (goal_.holds(Shape(problem_.design, start).tip_E()) && judge_.within_limits_all_along(start, start))
    return FoundRoute{Route{{}, start}, 0, 0};
  auto route = try_directly();
  if (!route) {
    // What needs no search should not wait for cells as fine as a narrow lumen asks.
    work_.add_try();
    route = threader_.straight(goal_, settings_.effort);
  }
  if (!route) return std::nullopt;
  return FoundRoute{std::move(*route), 0, 0};
}

/// More than one motion, and switches.
std::optional<Route> RouteSearch::try_directly() {
  if (settings_.direct_work <= 0) return std::nullopt;
  const int locks = problem_.design.lock_count();
  const bool friction = store_.chart().kind() == LatticeKind::everything && settings_.most_switches > 0;
  const std::int64_t most =
      settings_.direct_work * std::max(1, locks) + (friction ? shares::kDirectFrictionWork * locks : 0);
  DirectAttempt attempt(goal_, store_.probe(), judge_);
  auto route = attempt.run(settings_.most_switches, settings_.effort.part(most));
  work_.add_other(attempt.work());
  return route;
}

WayOut RouteSearch::way_out(const State& from, const LockSet& held) {
  DirectAttempt attempt(problem_.goal, store_.probe(), judge_);
  return attempt.way_out(from, held, settings_.effort);
}

/// Where frozen bends are continuous, a way with a few of them is sooner found.
std::optional<Route> RouteSearch::try_notches() {
  const auto twin = notched_twin(problem_, store_.chart());
  if (!twin || settings_.most_switches <= 0) return std::nullopt;
  RouteSearchSettings settings = settings_;
  settings.relaxations = settings.spans = false;  // what they prove of the twin says nothing
  settings.effort = settings_.effort.part(settings_.twin_work);
  RouteSearch search(*twin, settings);
  const SearchOutcome outcome = search.run(goal_);
  work_.add_other(search.work());
  if (search.best_approach()) best_approach_ = search.best_approach();
  if (outcome != SearchOutcome::found) return std::nullopt;
  return search.route();
}

SearchOutcome RouteSearch::search_cells() {
  while (!settings_.effort.cut_short()) {
    if (spans_prove_by_now()) return SearchOutcome::proved_none;
    switch (cell_search_->run()) {
      case CellSearch::Outcome::stopped:
        if (work_.is_pause() && !work_.must_stop() && !cell_search_->cut_short()) continue;
        return SearchOutcome::stopped;
      case CellSearch::Outcome::exhausted:
        return SearchOutcome::proved_none;
      case CellSearch::Outcome::arrived:
        break;
    }
    const std::vector<CellRef> way = cell_search_->way();
    if (!refine_coarse(way)) {
      work_.add_try();
      ThreadedWay threaded = threader_.thread(goal_, way, labels(), settings_.effort);
      if (threaded.found) {
        found_ = std::move(*threaded.found);
        return SearchOutcome::found;
      }
      if (settings_.effort.cut_short()) break;  // what was not looked at has not failed
      note_approach(threaded.failed);
      if (!refine_failed(way, threaded.failed)) return SearchOutcome::stopped;
    }
    cell_search_->mend();
  }
  return SearchOutcome::stopped;
}

/// Splits the way's coarsest mixed cells; false when none is coarse any more.
bool RouteSearch::refine_coarse(const std::vector<CellRef>& way) {
  double coarsest = 0.0;
  for (const CellRef& ref : way)
    if (store_.status(ref) == CellStatus::mixed) coarsest = std::max(coarsest, store_.travel_mm(ref));
  if (coarsest <= settings_.attempt_travel_mm || ++coarse_ways_ % shares::kCoarseTryInterval == 0)
    return false;
  for (const CellRef& ref : way)
    if (store_.status(ref) == CellStatus::mixed && !store_.is_split(ref) &&
        store_.travel_mm(ref) > 0.5 * coarsest)
      cell_search_->refine(ref);
  return true;
}

/// Refines the cells of the way that gave no route; false when nothing was left to refine.
bool RouteSearch::refine_failed(const std::vector<CellRef>& way, const Threading& failed) {
  for (const auto& [k, coordinate] : failed.wide)
    cell_search_->cut(way[static_cast<std::size_t>(k)], coordinate);
  if (!failed.wide.empty()) return true;
  bool progress = false;
  for (const int failed_cell : failed.failed) {
    const auto k = static_cast<std::size_t>(failed_cell);
    progress = refine_or_give_up(way[k]) || progress;
    // A passage that fails between two cells is as much the next one's doing.
    if (k + 1 < way.size() && store_.status(way[k + 1]) == CellStatus::mixed)
      progress = refine_or_give_up(way[k + 1]) || progress;
  }
  return progress;
}

bool RouteSearch::refine_or_give_up(const CellRef& ref) {
  if (store_.is_split(ref)) return false;
  if (store_.travel_mm(ref) > settings_.finest_travel_mm) {
    cell_search_->refine(ref);
    return true;
  }
  if (store_.is_stuck(ref)) return false;
  cell_search_->give_up(ref);
  return true;
}

void RouteSearch::note_approach(const Threading& failed) {
  const double best_mm = best_approach_ ? best_approach_->distance_mm : kInfinity;
  if (auto nearer = threader_.approach_nearer_than(best_mm, goal_, failed))
    best_approach_ = std::move(nearer);
}

void RouteSearch::keep_route() {
  known_.add(found_.route, found_.from, found_.steps_known);
}

void RouteSearch::bury() {
  if (proof_ == ProofKind::no_switch_in)
    bury_spans(store_, spans_->cells());
  else
    bury_reached_cells(store_, labels());
}

Coverage RouteSearch::coverage() const {
  if (proof_ != ProofKind::no_switch_in) {
    Coverage coverage = coverage_of(store_, labels());
    coverage.cells_examined = checks();
    return coverage;
  }
  Coverage coverage = coverage_of(spans_->cells(), CellLabels(spans_->cells()));
  coverage.cells_examined = span_looks();
  const double finest_mm = std::min(spans_->finest_goal_mm(), coverage.finest_cell_mm);
  coverage.finest_cell_mm = coverage.finest_cell_mm > 0.0 ? finest_mm : spans_->finest_goal_mm();
  if (!std::isfinite(coverage.finest_cell_mm)) coverage.finest_cell_mm = 0.0;
  return coverage;
}

void RouteSearch::write_reached_cells(std::ostream& out) const {
  withy::write_reached_cells(store_, labels(), out);
}

}  // namespace withy
