// SPDX-License-Identifier: GPL-3.0-or-later
// Ways of a search from the start to a goal cell: mended after cells were cut, tried by exact motions.
#include <algorithm>
#include <limits>

#include "planner/search/route/direct_attempt.h"
#include "planner/search/route/notched_twin.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"

namespace withy {

/// After cells of a way were refined: forgets what was reached through them, and opens again what stands
/// beside it.
void RouteSearch::mend_ways() {
  const std::vector<CellRef> lost = lost_cells();
  changed_.clear();
  for (const CellRef& ref : lost) visit(ref).forget();
  for (const CellRef& ref : lost) {
    if (visit(ref).goal) {
      visit(ref).goal = false;
      seek_goals(ref);
    }
    reopen_around(ref);
  }
}

/// The cells that changed, and those whose way leads through one.
std::vector<RouteSearch::CellRef> RouteSearch::lost_cells() {
  std::sort(touched_.begin(), touched_.end());
  touched_.erase(std::unique(touched_.begin(), touched_.end()), touched_.end());
  for (const CellRef& ref : touched_) visit(ref).way = Visit::Way::unknown;
  for (const CellRef& ref : changed_) visit(ref).way = Visit::Way::lost;
  std::vector<CellRef> lost;
  for (const CellRef& ref : touched_)
    if (visit(ref).reached() && !way_stands(ref)) lost.push_back(ref);
  return lost;
}

/// Follows a cell's way until what became of it is known, and notes that for all that was passed.
bool RouteSearch::way_stands(CellRef ref) {
  std::vector<CellRef> passed;
  auto way = Visit::Way::stands;  // of what ends in a goal cell
  for (; ref.leaf >= 0; ref = visit(ref).next) {
    way = visit(ref).way;
    if (way != Visit::Way::unknown) break;
    way = Visit::Way::stands;
    passed.push_back(ref);
  }
  for (const CellRef& p : passed) visit(p).way = way;
  return way == Visit::Way::stands;
}

/// Hands out the switches that lead out of a cell, as long as the effort lasts. Where it does not, what is
/// known is not whole any more, and nothing can be proved of it.
void RouteSearch::each_link(const CellRef& ref, const std::function<void(const SwitchLink&)>& take) {
  std::int64_t here = 0;
  const auto hand_out = [&](const SwitchLink& link) {
    const bool many = ++here > shares::kLinksOfExpansion;
    if (many) ++other_work_;
    if (++links_ % shares::kAskInterval == 0 && (many ? must_stop() : settings_.effort.cut_short()))
      cut_short_ = true;
    if (!cut_short_) take(link);
    return !cut_short_;
  };
  if (!for_each_link(problem_.design, chart_, record(ref.leaf).leaf, box(ref), settings_.effort, hand_out))
    cut_short_ = true;
}

/// Every cell with a way that stands, from which `ref` may be reached.
void RouteSearch::reopen_around(const CellRef& ref) {
  const Box b = box(ref);
  reopen_meeting(ref.leaf, b);
  each_link(ref, [&](const SwitchLink& link) {
    if (const auto known = leaf_of_key_.find(link.other.key()); known != leaf_of_key_.end())
      reopen_meeting(known->second, link.there);
  });
}

void RouteSearch::reopen_meeting(int leaf, const Box& query) {
  record(leaf).tree.for_each_meeting(query, [&](int cell) {
    if (reached(record(leaf), cell) && visit({leaf, cell}).closed)
      push({leaf, cell}, visit({leaf, cell}).cost);
  });
}

/// Cells from the start's to a goal cell.
std::vector<RouteSearch::CellRef> RouteSearch::path_from(CellRef start) const {
  std::vector<CellRef> path;
  for (CellRef at = start; at.leaf >= 0;) {
    path.push_back(at);
    at = record(at.leaf).visits[static_cast<std::size_t>(at.cell)].next;
  }
  return path;
}

/// Splits the path's coarsest mixed cells; false when none is coarse any more.
bool RouteSearch::refine_coarse(const std::vector<CellRef>& path) {
  double coarsest = 0.0;
  for (const CellRef& ref : path)
    if (record(ref.leaf).tree.status(ref.cell) == CellStatus::mixed)
      coarsest = std::max(coarsest, record(ref.leaf).tree.travel(ref.cell));
  if (coarsest <= settings_.attempt_travel_mm || ++coarse_ways_ % shares::kCoarseTryInterval == 0)
    return false;
  for (const CellRef& ref : path) {
    const CellTree& tree = record(ref.leaf).tree;
    if (tree.status(ref.cell) == CellStatus::mixed && !tree.is_split(ref.cell) &&
        tree.travel(ref.cell) > 0.5 * coarsest)
      refine(ref);
  }
  return true;
}

bool RouteSearch::try_path(const std::vector<CellRef>& path, bool& progress) {
  std::vector<ChainCell> chain;
  for (std::size_t k = 0; k < path.size(); ++k) {
    const Visit& v = record(path[k].leaf).visits[static_cast<std::size_t>(path[k].cell)];
    ChainCell cell;
    cell.leaf = &record(path[k].leaf).leaf;
    cell.box = box(path[k]);
    cell.free = record(path[k].leaf).tree.status(path[k].cell) == CellStatus::free;
    if (k + 1 < path.size()) {
      cell.lock = v.lock;
      cell.engages = v.engages;
    }
    chain.push_back(cell);
  }
  ++tries_;
  const int home = home_of(path.front());
  const State& from = homes_[static_cast<std::size_t>(home)].step.to;
  Threading threading =
      thread_chain(problem_, chart_, judge_, body_margin_, chain, Passage::within, from, settings_.effort);
  const std::size_t known = lead_in(threading, home);
  route_home_ = home;
  route_known_ = known;
  if (threading.failed.empty()) {
    route_ = std::move(threading.route);
    return true;
  }
  Threading beside =
      thread_chain(problem_, chart_, judge_, body_margin_, chain, Passage::beside, from, settings_.effort);
  if (beside.failed.empty()) {
    lead_in(beside, home);
    route_ = std::move(beside.route);
    return true;
  }
  progress = false;
  if (settings_.effort.cut_short()) return false;  // what was not looked at has not failed
  note_approach(threading);
  const auto refine_if_worth = [&](std::size_t k) {
    if (k >= path.size()) return;
    const CellTree& tree = record(path[k].leaf).tree;
    if (tree.is_split(path[k].cell)) return;
    if (tree.travel(path[k].cell) > settings_.finest_travel_mm) {
      refine(path[k]);
      progress = true;
    } else if (Visit& v = visit(path[k]); !v.stuck) {
      v.stuck = true;
      changed_.push_back(path[k]);
      progress = true;
    }
  };
  for (const auto& [k, coordinate] : threading.wide) {
    const CellRef& ref = path[static_cast<std::size_t>(k)];
    changed_.push_back(ref);  // also where it is split, and stood for its parts
    if (!record(ref.leaf).tree.is_split(ref.cell)) split(ref, coordinate);
    progress = true;
  }
  if (progress) return false;
  for (const int failed : threading.failed) {
    const auto k = static_cast<std::size_t>(failed);
    refine_if_worth(k);
    // A passage that fails between two cells is as much the next one's doing.
    if (k + 1 < path.size() && record(path[k + 1].leaf).tree.status(path[k + 1].cell) == CellStatus::mixed)
      refine_if_worth(k + 1);
  }
  return false;
}

/// Keeps the nearest state of a way that failed, as far as it was proved.
void RouteSearch::note_approach(const Threading& threading) {
  const auto distance_of = [&](const State& state) {
    return problem_.goal.distance(Shape(problem_.design, state).tip_E());
  };
  std::size_t nearest = 0;
  double least = distance_of(start_state());
  for (std::size_t i = 1; i <= threading.proved_steps; ++i)
    if (const double d = distance_of(threading.route.state_before(i)); d < least) {
      least = d;
      nearest = i;
    }
  if (best_approach_ && best_approach_->distance_mm <= least) return;
  const State& stuck = threading.route.state_before(threading.proved_steps);
  std::string objection;
  if (threading.proved_steps < threading.route.steps.size() &&
      threading.route.steps[threading.proved_steps].lock < 0)
    objection = judge_.objection(stuck, threading.route.steps[threading.proved_steps].to);
  if (objection.empty()) objection = "no allowed lock switch leads on from there";
  best_approach_ = Approach{least, threading.route.state_before(nearest), objection};
}

/// One motion from the start to a goal state without a switch, verified exactly: what needs no search should
/// not wait for cells as fine as a narrow lumen asks.
bool RouteSearch::try_straight_for_it() {
  const ChainCell whole{&record(0).leaf, record(0).tree.box(0), false, -1, false};
  Threading threading = thread_chain(problem_, chart_, judge_, body_margin_, {whole}, Passage::within,
                                     start_state(), settings_.effort);
  ++tries_;
  if (!threading.failed.empty()) return false;
  route_ = std::move(threading.route);
  return true;
}

/// The same for more than one motion, and with switches.
bool RouteSearch::try_directly() {
  if (settings_.direct_work <= 0) return false;
  const std::int64_t most = settings_.direct_work * std::max(1, problem_.design.lock_count());
  DirectAttempt attempt(problem_, probe_, judge_);
  auto route = attempt.run(settings_.most_switches, settings_.effort.part(most));
  other_work_ += attempt.work();
  if (!route) return false;
  route_ = std::move(*route);
  return true;
}

/// Where frozen bends are continuous, a way with a few of them is sooner found.
bool RouteSearch::try_notches_for_it() {
  const auto twin = notched_twin(problem_, chart_);
  if (!twin) return false;
  RouteSearchSettings settings = settings_;
  settings.effort = settings_.effort.part(settings_.twin_work);
  RouteSearch search(*twin, settings);
  const SearchOutcome outcome = search.run();
  other_work_ += search.work();
  if (search.best_approach()) best_approach_ = search.best_approach();
  if (outcome != SearchOutcome::found) return false;
  route_ = search.route();
  return true;
}

}  // namespace withy
