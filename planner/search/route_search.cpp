// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route_search.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <iterator>
#include <limits>
#include <ostream>

#include <fmt/format.h>

#include "planner/search/direct_attempt.h"
#include "planner/search/notched_twin.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
// What a lock switch costs beside a millimetre of motion: ways with fewer switches are looked at first unless
// they lead through much that is unproved.
constexpr double kSwitchCost = 100.0;
// Weight of the distance left to the start: above 1 it trades the shortest way for an earlier one, which any
// plan is made from anyway.
constexpr double kGreed = 2.0;
// A cell that can't be split any more is passed only when nothing else is left.
constexpr double kStuckCost = 1e5;
// Of ways with coarse mixed cells one in so many is tried all the same: where there is room it will do.
constexpr int kAttemptInterval = 4;
// How often (in expansions) the clock and the user are asked.
constexpr int kStopInterval = 32;

}  // namespace

RouteSearch::RouteSearch(const SearchProblem& problem, RouteSearchSettings settings)
    : problem_(problem),
      settings_(std::move(settings)),
      chart_(problem.design, problem.heeded.tendons),
      probe_(problem, chart_),
      judge_(problem, probe_.hardware()),
      body_margin_([this](const State& state) { return probe_.body_margin(state); }),
      tip_lever_mm2_(0.5 * problem.design.length_mm() * problem.design.length_mm()) {
  homes_.push_back({0, {-1, false, start_state()}});
  leaf_index(Leaf{});
}

RouteSearch::~RouteSearch() = default;

int RouteSearch::leaf_index(const Leaf& leaf) {
  const auto [found, fresh] = leaf_of_key_.try_emplace(leaf.key(), static_cast<int>(leaves_.size()));
  if (fresh) {
    leaves_.push_back(std::make_unique<LeafRecord>(
        LeafRecord{leaf, CellTree(whole_leaf(problem_.design, chart_, leaf)), {}, {}}));
    if (!leaf_possible(problem_.design, chart_, leaf))
      record(found->second).tree.set_status(0, CellStatus::blocked);
  }
  return found->second;
}

RouteSearch::Visit& RouteSearch::visit(const CellRef& ref) {
  auto& visits = record(ref.leaf).visits;
  if (visits.size() <= static_cast<std::size_t>(ref.cell))
    visits.resize(static_cast<std::size_t>(record(ref.leaf).tree.size()));
  return visits[static_cast<std::size_t>(ref.cell)];
}

/// The cell's status, found out if need be.
CellStatus RouteSearch::look(const CellRef& ref) {
  LeafRecord& leaf = record(ref.leaf);
  if (leaf.tree.status(ref.cell) == CellStatus::unknown) {
    const CellLook look = probe_.check(leaf.leaf, leaf.tree.box(ref.cell));
    const bool resize = look.slides != leaf.tree.slides(ref.cell) || leaf.tree.travel(ref.cell) < 0.0;
    leaf.tree.set_status(ref.cell, look.status);
    leaf.tree.set_hints(ref.cell, look.slides,
                        look.cut_insertion && 2.0 * box(ref).half(0) > settings_.finest_travel_mm);
    if (resize) leaf.tree.set_travel(ref.cell, travel(ref).total);
  }
  return leaf.tree.status(ref.cell);
}

CellTravel RouteSearch::travel(const CellRef& ref) {
  return probe_.travel(record(ref.leaf).leaf, box(ref), record(ref.leaf).tree.slides(ref.cell));
}

void RouteSearch::split(const CellRef& ref) {
  split(ref, record(ref.leaf).tree.cut_insertion(ref.cell) ? 0 : travel(ref).widest);
}

void RouteSearch::split(const CellRef& ref, int coordinate) {
  LeafRecord& leaf = record(ref.leaf);
  const CellStatus status = leaf.tree.status(ref.cell);
  leaf.tree.split(ref.cell, coordinate);
  for (const int child : {leaf.tree.first_child(ref.cell), leaf.tree.first_child(ref.cell) + 1}) {
    leaf.tree.set_hints(child, leaf.tree.slides(ref.cell), false);
    leaf.tree.set_travel(child, travel({ref.leaf, child}).total);
    if (status == CellStatus::free) leaf.tree.set_status(child, CellStatus::free);
    if (const auto i = static_cast<std::size_t>(ref.cell); i < leaf.home.size() && leaf.home[i] > 0)
      settle(leaf.home[i], {ref.leaf, child});
  }
  if (status == CellStatus::free && reached(leaf, ref.cell)) hand_down(ref);
}

/// A free cell that was reached before it was split stays a part of ways; its children are reached through
/// it.
void RouteSearch::hand_down(const CellRef& ref) {
  visit(ref).closed = true;
  const Visit parent = visit(ref);
  for (const int child :
       {record(ref.leaf).tree.first_child(ref.cell), record(ref.leaf).tree.first_child(ref.cell) + 1}) {
    Visit& v = visit({ref.leaf, child});
    v.next = ref;
    v.lock = -1;
    v.switches = parent.switches;
    push({ref.leaf, child}, parent.cost);
  }
}

/// Splits a cell until its parts are about half as wide in every way, or in insertion alone where that is
/// known to tell.
void RouteSearch::refine(const CellRef& ref) {
  changed_.push_back(ref);
  LeafRecord& leaf = record(ref.leaf);
  if (leaf.tree.cut_insertion(ref.cell)) {
    split(ref, 0);
    return;
  }
  const double enough = 0.55 * leaf.tree.travel(ref.cell);
  std::vector<int> todo = {ref.cell};
  while (!todo.empty()) {
    const int cell = todo.back();
    todo.pop_back();
    if (leaf.tree.travel(cell) <= enough || leaf.tree.is_split(cell)) continue;
    split({ref.leaf, cell});
    todo.push_back(leaf.tree.first_child(cell));
    todo.push_back(leaf.tree.first_child(cell) + 1);
  }
}

/// Queues the parts of a cell that may hold the goal, cut to coarse_travel_mm by the tip alone.
void RouteSearch::seek_goals(const CellRef& ref) {
  const CellTree& tree = record(ref.leaf).tree;
  if (tree.status(ref.cell) == CellStatus::blocked) return;
  const Leaf& leaf = record(ref.leaf).leaf;
  const Box b = tree.box(ref.cell);
  ++goal_checks_;
  if (!probe_.may_hold_goal(leaf, b)) return;
  if (!tree.is_split(ref.cell)) {
    const CellTravel tip = probe_.travel(leaf, b);
    if (tip.total <= settings_.coarse_travel_mm) {
      if (look(ref) != CellStatus::blocked) seed(ref);
      return;
    }
    split(ref, tip.widest);
  }
  const int first = tree.first_child(ref.cell);
  seek_goals({ref.leaf, first});
  seek_goals({ref.leaf, first + 1});
}

/// Queues a cell that may hold the goal: a way ends there.
void RouteSearch::seed(const CellRef& ref) {
  Visit& v = visit(ref);
  v.goal = true;
  if (!v.reached()) push(ref, cell_penalty(ref));
}

/// Does a cell that may hold the goal surely do so, or is it too small to ask?
bool RouteSearch::counts_as_goal(const CellRef& ref) {
  const LeafRecord& r = record(ref.leaf);
  const Box b = r.tree.box(ref.cell);
  if (probe_.travel(r.leaf, b).total <=
      (b.dimensions > 3 ? settings_.finest_goal_with_friction_mm : settings_.finest_goal_mm))
    return true;
  const State centre = centre_state(chart_, r.leaf, b);
  return descend_to_goal(problem_, centre, goal_descent_in(problem_, b)).has_value();
}

/// A way should not end in a cell that only might hold the goal: its parts are looked at instead.
void RouteSearch::sharpen_goal(const CellRef& ref) {
  visit(ref).forget();
  visit(ref).goal = false;
  split(ref, probe_.travel(record(ref.leaf).leaf, box(ref)).widest);
  const int first = record(ref.leaf).tree.first_child(ref.cell);
  seek_goals({ref.leaf, first});
  seek_goals({ref.leaf, first + 1});
  // What was beside the cell before may have left it to be reached from the goal.
  reopen_around(ref);
}

/// What is left to pay from a cell to the start, at least about: the switches that release its locks, the
/// insertion to draw back, and (where no switch is left) the bend to undo.
double RouteSearch::heuristic(const CellRef& ref) const {
  const Box b = box(ref);
  const double switches = kSwitchCost * record(ref.leaf).leaf.engaged_count();
  const double bend = ref.leaf == 0 ? tip_lever_mm2_ * std::hypot(b.centre(1), b.centre(2)) : 0.0;
  return switches + kGreed * (b.centre(0) + bend);
}

double RouteSearch::cell_penalty(const CellRef& ref) const {
  const LeafRecord& r = record(ref.leaf);
  if (r.tree.status(ref.cell) == CellStatus::free) return 0.0;
  if (is_stuck(ref)) return kStuckCost;
  return settings_.coarse_travel_mm *
         (1.0 + std::max(0.0, std::log2(settings_.coarse_travel_mm / r.tree.travel(ref.cell))));
}

void RouteSearch::push(const CellRef& ref, double cost) {
  Visit& v = visit(ref);
  if (!v.reached()) touched_.push_back(ref);
  v.cost = cost;
  v.closed = false;
  v.ticket = ++tickets_;
  queue_.push_back({cost + heuristic(ref), v.ticket, ref});
  std::push_heap(queue_.begin(), queue_.end());
}

bool RouteSearch::holds_start(const CellRef& ref) const {
  if (ref.leaf != 0) return false;
  const Box b = box(ref);
  return b.contains(0, 0.0) && b.contains(1, 0.0) && b.contains(2, 0.0);
}

/// Leaves with more engaged locks can't have a cheaper goal than what their releases cost: they are opened
/// when nothing cheaper is queued. False when the search has to stop.
bool RouteSearch::open_due_levels() {
  const int levels = std::min(problem_.design.lock_count(), settings_.most_switches) + 1;
  while (levels_open_ < levels && (queue_.empty() || queue_.front().key >= kSwitchCost * levels_open_)) {
    const auto open = [&](const Leaf& leaf) {
      seek_goals({leaf_index(leaf), 0});
      return !must_stop();
    };
    if (!for_each_leaf(problem_.design, chart_, levels_open_, open)) return false;
    ++levels_open_;
  }
  return true;
}

/// A* from the target's cells, with what is known of the cells now, from where it stood.
RouteSearch::Sweep RouteSearch::search_on() {
  while (true) {
    if (!open_due_levels()) return Sweep::stopped;
    if (queue_.empty()) return Sweep::exhausted;
    std::pop_heap(queue_.begin(), queue_.end());
    const QueueEntry entry = queue_.back();
    queue_.pop_back();
    Visit& v = visit(entry.ref);
    if (v.ticket != entry.ticket || v.closed) continue;
    if (v.next.leaf < 0 && !v.witnessed) {
      v.witnessed = counts_as_goal(entry.ref);
      if (!v.witnessed) {
        sharpen_goal(entry.ref);
        continue;
      }
    }
    v.closed = true;
    if (home_of(entry.ref) >= 0) {
      found_start_ = entry.ref;
      return Sweep::start_reached;
    }
    expand(entry.ref);
    if (++expansions_ % kStopInterval == 0 && must_stop()) return Sweep::stopped;
  }
}

void RouteSearch::expand(const CellRef& ref) {
  const Box b = box(ref);
  reach(ref, ref.leaf, b, -1, false, 0.0);
  std::vector<SwitchLink> links;
  links_of(problem_.design, chart_, record(ref.leaf).leaf, b, links);
  for (const SwitchLink& link : links) {
    const int other = leaf_index(link.other);
    if (record(other).tree.status(0) == CellStatus::blocked && !record(other).tree.is_split(0)) continue;
    if (!field_may_switch(ref.leaf, link, other)) continue;
    // Searched backward: the plan comes from there to here, so it does the opposite.
    reach(ref, other, link.there, link.lock, !link.engages, kSwitchCost);
  }
}

/// May the field make the switch that leads from `link.there` to here somewhere, and undo it? A plan comes
/// back by the way it went, so what can't be undone is no part of any.
bool RouteSearch::field_may_switch(int leaf, const SwitchLink& link, int other) {
  const Hardware& hardware = probe_.hardware();
  if (!problem_.heeded.field || !hardware.checks_field()) return true;
  // With the free carriage and notched locks the pose of every lock is the same whatever the insertion.
  const bool one_pose = problem_.design.carriage().kind == CarriageKind::free && chart_.coordinates() == 0 &&
                        (link.here.high[1] - link.here.low[1]) < 1e-9 &&
                        (link.here.high[2] - link.here.low[2]) < 1e-9;
  const auto key = std::tuple(leaf, other, link.lock);
  if (one_pose)
    if (const auto known = may_switch_.find(key); known != may_switch_.end()) return known->second;
  const bool may =
      hardware.switch_over(probe_.state_box(link.other, link.there), link.lock) != BoxVerdict::none &&
      hardware.switch_over(probe_.state_box(record(leaf).leaf, link.here), link.lock) != BoxVerdict::none;
  if (one_pose) may_switch_[key] = may;
  return may;
}

/// Looks at every cell of `leaf` that meets `query`, splitting what is mixed and coarse, and relaxes what may
/// be passed.
void RouteSearch::reach(const CellRef& from, int leaf, const Box& query, int lock, bool engages,
                        double extra) {
  const CellTree& tree = record(leaf).tree;
  std::vector<int> todo;
  tree.for_each_meeting(query, [&](int cell) { todo.push_back(cell); });
  while (!todo.empty()) {
    const CellRef to{leaf, todo.back()};
    todo.pop_back();
    if (to == from) continue;
    if (lock < 0 && query.dimensions > 3 && !boxes_touch(query, box(to))) continue;
    const CellStatus status = look(to);
    if (status == CellStatus::blocked) continue;
    if (status == CellStatus::mixed && tree.travel(to.cell) > settings_.coarse_travel_mm) {
      split(to);
      for (const int child : {tree.first_child(to.cell), tree.first_child(to.cell) + 1})
        if (tree.meets(child, query)) todo.push_back(child);
      continue;
    }
    relax(from, to, lock, engages, extra);
  }
}

void RouteSearch::relax(const CellRef& from, const CellRef& to, int lock, bool engages, double extra) {
  const Visit source = visit(from);
  const int switches = source.switches + (lock >= 0 ? 1 : 0);
  if (switches + record(to.leaf).leaf.engaged_count() > settings_.most_switches) return;
  double step = extra + cell_penalty(to);
  if (lock < 0) {
    const Box a = box(from);
    const Box b = box(to);
    step += std::abs(a.centre(0) - b.centre(0)) +
            tip_lever_mm2_ * std::hypot(a.centre(1) - b.centre(1), a.centre(2) - b.centre(2));
  }
  Visit& v = visit(to);
  const double cost = source.cost + step;
  if (v.reached() && (v.closed || v.cost <= cost)) return;
  v.next = from;
  v.lock = lock;
  v.engages = engages;
  v.switches = static_cast<std::int16_t>(switches);
  push(to, cost);
}

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

/// Every cell with a way that stands, from which `ref` may be reached.
void RouteSearch::reopen_around(const CellRef& ref) {
  const Box b = box(ref);
  reopen_meeting(ref.leaf, b);
  std::vector<SwitchLink> links;
  links_of(problem_.design, chart_, record(ref.leaf).leaf, b, links);
  for (const SwitchLink& link : links)
    if (const auto known = leaf_of_key_.find(link.other.key()); known != leaf_of_key_.end())
      reopen_meeting(known->second, link.there);
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
  if (coarsest <= settings_.attempt_travel_mm || ++coarse_ways_ % kAttemptInterval == 0) return false;
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
  Threading threading = thread_chain(problem_, chart_, judge_, body_margin_, chain, Passage::within, from);
  const std::size_t known = lead_in(threading, home);
  route_home_ = home;
  route_known_ = known;
  if (threading.failed.empty()) {
    route_ = std::move(threading.route);
    return true;
  }
  Threading beside = thread_chain(problem_, chart_, judge_, body_margin_, chain, Passage::beside, from);
  if (beside.failed.empty()) {
    lead_in(beside, home);
    route_ = std::move(beside.route);
    return true;
  }
  note_approach(threading);
  progress = false;
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

void RouteSearch::write_reached_cells(std::ostream& out) const {
  for (const auto& leaf : leaves_)
    for (int cell = 0; cell < leaf->tree.size(); ++cell) {
      if (leaf->tree.is_split(cell) || !reached(*leaf, cell)) continue;
      const Box b = leaf->tree.box(cell);
      const StateBox states = probe_.state_box(leaf->leaf, b);
      fmt::memory_buffer line;
      const auto put = std::back_inserter(line);
      fmt::format_to(put, "{{\"engaged\":[");
      const char* comma = "";
      for (int lock = 0; lock < problem_.design.lock_count(); ++lock) {
        if (!leaf->leaf.engaged.test(static_cast<std::size_t>(lock))) continue;
        fmt::format_to(put, "{}{}", comma, lock + 1);
        comma = ",";
      }
      fmt::format_to(put, "],\"theta_rad\":[");
      for (std::size_t r = 0; r < leaf->leaf.base.size(); ++r)
        fmt::format_to(put, "{}{{\"low\":[{},{}],\"high\":[{},{}]}}", r == 0 ? "" : ",",
                       states.theta_lo[r].x(), states.theta_lo[r].y(), states.theta_hi[r].x(),
                       states.theta_hi[r].y());
      fmt::format_to(put,
                     "],\"curvature_low_per_mm\":[{},{}],\"curvature_high_per_mm\":[{},{}],\"insertion_mm\":["
                     "{},{}],\"proved_free\":{}}}\n",
                     b.low[1], b.low[2], b.high[1], b.high[2], b.low[0], b.high[0],
                     leaf->tree.status(cell) == CellStatus::free);
      out.write(line.data(), static_cast<std::streamsize>(line.size()));
    }
}

/// One motion from the start to a goal state without a switch, verified exactly: what needs no search should
/// not wait for cells as fine as a narrow lumen asks.
bool RouteSearch::try_straight_for_it() {
  const ChainCell whole{&record(0).leaf, record(0).tree.box(0), false, -1, false};
  Threading threading = thread_chain(problem_, chart_, judge_, body_margin_, {whole});
  ++tries_;
  if (!threading.failed.empty()) return false;
  route_ = std::move(threading.route);
  return true;
}

/// The same for more than one motion, and with switches.
bool RouteSearch::try_directly() {
  if (settings_.most_direct_work <= 0) return false;
  const std::int64_t most = settings_.most_direct_work * std::max(1, problem_.design.lock_count());
  DirectAttempt attempt(problem_, probe_, judge_);
  auto route = attempt.run(settings_.most_switches, std::min(most, settings_.most_work));
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
  settings.most_work = std::min(settings_.most_work, settings_.most_twin_work);
  RouteSearch search(*twin, settings);
  const SearchOutcome outcome = search.run();
  other_work_ += search.work();
  if (search.best_approach()) best_approach_ = search.best_approach();
  if (outcome != SearchOutcome::found) return false;
  route_ = search.route();
  return true;
}

SearchOutcome RouteSearch::run() {
  route_home_ = 0;
  route_known_ = 0;
  if (problem_.goal.holds(Shape(problem_.design, start_state()).tip_E())) {
    route_ = Route{};
    return SearchOutcome::found;
  }
  if (try_directly() || try_straight_for_it() || try_notches_for_it()) return SearchOutcome::found;
  while (true) {
    switch (search_on()) {
      case Sweep::stopped:
        return SearchOutcome::stopped;
      case Sweep::exhausted:
        return SearchOutcome::proved_none;
      case Sweep::start_reached:
        break;
    }
    const auto path = path_from(found_start_);
    if (!refine_coarse(path)) {
      bool progress = false;
      if (try_path(path, progress)) return SearchOutcome::found;
      if (!progress) return SearchOutcome::stopped;
    }
    mend_ways();
  }
}

Coverage RouteSearch::coverage() const {
  Coverage c;
  c.cells_examined = checks();
  c.finest_cell_mm = kInfinity;
  for (const auto& leaf : leaves_)
    for (int cell = 0; cell < leaf->tree.size(); ++cell) {
      if (leaf->tree.is_split(cell)) continue;
      if (leaf->tree.status(cell) == CellStatus::blocked)
        ++c.cells_excluded;
      else if (reached(*leaf, cell) && leaf->tree.status(cell) == CellStatus::mixed)
        ++c.cells_left;
      if (leaf->tree.travel(cell) >= 0.0)
        c.finest_cell_mm = std::min(c.finest_cell_mm, leaf->tree.travel(cell));
    }
  if (!std::isfinite(c.finest_cell_mm)) c.finest_cell_mm = 0.0;
  const Design& design = problem_.design;
  const double l = design.length_mm();
  c.lipschitz_insertion =
      design.carriage().kind == CarriageKind::free ? 1.0 : 1.0 + design.segment().curvature_max_per_mm * l;
  c.lipschitz_curvature_mm2 = 0.5 * l * l;
  return c;
}

}  // namespace withy
