// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/route_search.h"

#include <algorithm>
#include <utility>

#include "geometry/numbers/numbers.h"
#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/no_switch.h"
#include "planner/proof/relaxations/tip_passage.h"
#include "planner/search/cells/span_proof.h"
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
  spans_due_ = settings_.spans;
  span_looks_ = 0;
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
  if (prove_by_relaxations() || prove_by_spans()) return SearchOutcome::proved_none;
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

/// Once for each goal.
bool RouteSearch::prove_by_spans() {
  if (!std::exchange(spans_due_, false)) return false;
  SpanProof spans(problem_, goal_);
  const bool proved = spans.run(settings_.effort.part(shares::kSpanWork));
  work_.add_other(spans.work());
  span_looks_ = spans.looks();
  if (proved) proof_ = ProofKind::no_switch_in;
  return proved;
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
  settings.relaxations = false;  // what they prove of the twin says nothing
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
    switch (cell_search_->run()) {
      case CellSearch::Outcome::stopped:
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
  bury_reached_cells(store_, labels());
}

Coverage RouteSearch::coverage() const {
  Coverage coverage = coverage_of(store_, labels());
  coverage.cells_examined = checks();
  return coverage;
}

void RouteSearch::write_reached_cells(std::ostream& out) const {
  withy::write_reached_cells(store_, labels(), out);
}

}  // namespace withy
