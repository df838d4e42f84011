// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route_search.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <iterator>
#include <limits>
#include <ostream>

#include <fmt/format.h>

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
// A switch that the field can make on the way in but not undo: no plan, but no proof against one either.
constexpr double kOneWayCost = 1e5;
// How often (in expansions) the clock and the user are asked.
constexpr int kStopInterval = 32;

}  // namespace

RouteSearch::RouteSearch(const SearchProblem& problem, RouteSearchSettings settings)
    : problem_(problem),
      settings_(std::move(settings)),
      chart_(problem.design),
      probe_(problem, chart_),
      judge_(problem, probe_.hardware()),
      tip_lever_mm2_(0.5 * problem.design.length_mm() * problem.design.length_mm()) {
  leaf_index(Leaf{});
  goal_leaves_.reserve(kMaxLocks + 1);
}

RouteSearch::~RouteSearch() = default;

int RouteSearch::leaf_index(const Leaf& leaf) {
  const auto [found, fresh] = leaf_of_key_.try_emplace(leaf.key(), static_cast<int>(leaves_.size()));
  if (fresh) {
    leaves_.push_back(std::make_unique<LeafRecord>(
        LeafRecord{leaf, CellTree(whole_leaf(problem_.design, chart_, leaf)), {}, {}, {}, false}));
    if (!leaf_possible(leaf)) record(found->second).tree.set_status(0, CellStatus::blocked);
  }
  return found->second;
}

/// Does every frozen bend keep the curvature limit when all of its region is out?
bool RouteSearch::leaf_possible(const Leaf& leaf) const {
  const auto stretches = stretches_of(problem_.design, leaf.engaged);
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const double f = problem_.design.flexible_length(stretches[r].from_mm, stretches[r].to_mm);
    if (leaf.base[r].norm() > problem_.design.segment().curvature_max_per_mm * f * (1.0 + 1e-9)) return false;
  }
  return true;
}

void RouteSearch::open_goal_leaves(int engaged_count) {
  std::vector<int> found;
  open_leaves_from(Leaf{}, 0, engaged_count, found);
  goal_leaves_.push_back(std::move(found));
}

/// All leaves that engage `still_to_engage` more locks than `leaf`, from `next_lock` on.
void RouteSearch::open_leaves_from(const Leaf& leaf, int next_lock, int still_to_engage,
                                   std::vector<int>& out) {
  if (still_to_engage == 0) {
    out.push_back(leaf_index(leaf));
    return;
  }
  const Design& design = problem_.design;
  const double from = leaf.base.empty() ? 0.0 : stretches_of(design, leaf.engaged).back().from_mm;
  for (int lock = next_lock; lock + still_to_engage <= design.lock_count(); ++lock) {
    const double most =
        design.segment().curvature_max_per_mm * design.flexible_length(from, design.station_mm(lock));
    for (const Eigen::Vector2d& base :
         chart_.bases_near(leaf.base_sum(leaf.engaged_count()), Eigen::Vector2d::Zero(), most)) {
      Leaf next = leaf;
      next.engaged.set(static_cast<std::size_t>(lock));
      next.base.push_back(base);
      if (leaf_possible(next)) open_leaves_from(next, lock + 1, still_to_engage - 1, out);
    }
  }
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
    const Box b = leaf.tree.box(ref.cell);
    leaf.tree.set_status(ref.cell, probe_.check(leaf.leaf, b));
    if (leaf.tree.travel(ref.cell) < 0.0) leaf.tree.set_travel(ref.cell, probe_.travel(leaf.leaf, b).total);
  }
  return leaf.tree.status(ref.cell);
}

void RouteSearch::split(const CellRef& ref) {
  LeafRecord& leaf = record(ref.leaf);
  const CellStatus status = leaf.tree.status(ref.cell);
  leaf.tree.split(ref.cell, probe_.travel(leaf.leaf, leaf.tree.box(ref.cell)).widest);
  for (const int child : {leaf.tree.first_child(ref.cell), leaf.tree.first_child(ref.cell) + 1}) {
    leaf.tree.set_travel(child, probe_.travel(leaf.leaf, leaf.tree.box(child)).total);
    if (status == CellStatus::free) leaf.tree.set_status(child, CellStatus::free);
  }
}

/// Splits a cell until its parts are about half as wide in every way.
void RouteSearch::refine(const CellRef& ref) {
  LeafRecord& leaf = record(ref.leaf);
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

/// Cells under `cell` that may hold the goal, cut to coarse_travel_mm by the tip alone.
void RouteSearch::seek_goals(int leaf, int cell, std::vector<int>& found) {
  LeafRecord& r = record(leaf);
  if (r.tree.status(cell) == CellStatus::blocked) return;
  const Box b = r.tree.box(cell);
  ++goal_checks_;
  if (!probe_.may_hold_goal(r.leaf, b)) return;
  if (r.tree.travel(cell) < 0.0) r.tree.set_travel(cell, probe_.travel(r.leaf, b).total);
  if (!r.tree.is_split(cell)) {
    if (r.tree.travel(cell) <= settings_.coarse_travel_mm) {
      found.push_back(cell);
      return;
    }
    split({leaf, cell});
  }
  const int first = r.tree.first_child(cell);
  seek_goals(leaf, first, found);
  seek_goals(leaf, first + 1, found);
}

/// Queues the leaf's goal cells.
void RouteSearch::seed(int leaf) {
  LeafRecord& r = record(leaf);
  std::vector<int> now;
  if (!r.goals_sought) {
    seek_goals(leaf, 0, now);
    r.goals_sought = true;
  } else {
    for (const int cell : r.goal_cells) seek_goals(leaf, cell, now);
  }
  r.goal_cells.clear();
  for (const int cell : now) {
    const CellRef ref{leaf, cell};
    if (look(ref) == CellStatus::blocked) continue;
    r.goal_cells.push_back(cell);
    Visit& v = visit(ref);
    if (v.stamp == stamp_) continue;
    v = Visit{};
    v.stamp = stamp_;
    push(ref, cell_penalty(ref));
  }
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
  const double travel = r.tree.travel(ref.cell);
  if (static_cast<std::size_t>(ref.cell) < r.stuck.size() && r.stuck[static_cast<std::size_t>(ref.cell)])
    return kStuckCost;
  return settings_.coarse_travel_mm * (1.0 + std::max(0.0, std::log2(settings_.coarse_travel_mm / travel)));
}

void RouteSearch::push(const CellRef& ref, double cost) {
  visit(ref).cost = cost;
  queue_.push_back({cost + heuristic(ref), pushed_++, ref});
  std::push_heap(queue_.begin(), queue_.end());
}

bool RouteSearch::holds_start(const CellRef& ref) const {
  if (ref.leaf != 0) return false;
  const Box b = box(ref);
  return b.contains(0, 0.0) && b.contains(1, 0.0) && b.contains(2, 0.0);
}

/// One A* from the target's cells, with what is known of the cells now.
RouteSearch::Sweep RouteSearch::search_once() {
  ++stamp_;
  queue_.clear();
  std::size_t level = 0;
  const auto levels = static_cast<std::size_t>(problem_.design.lock_count()) + 1;
  while (true) {
    while (level < levels &&
           (queue_.empty() || queue_.front().key >= kSwitchCost * static_cast<double>(level))) {
      if (goal_leaves_.size() <= level) open_goal_leaves(static_cast<int>(level));
      for (const int leaf : goal_leaves_[level]) {
        seed(leaf);
        if (must_stop()) return Sweep::stopped;
      }
      ++level;
    }
    if (queue_.empty()) return Sweep::exhausted;
    if (++expansions_ % kStopInterval == 0 && must_stop()) return Sweep::stopped;
    std::pop_heap(queue_.begin(), queue_.end());
    const CellRef ref = queue_.back().ref;
    queue_.pop_back();
    Visit& v = visit(ref);
    if (v.closed || record(ref.leaf).tree.is_split(ref.cell)) continue;
    v.closed = true;
    if (holds_start(ref)) {
      found_start_ = ref;
      return Sweep::start_reached;
    }
    expand(ref);
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
    const SwitchRule rule = switch_rule(ref.leaf, link, other);
    if (rule == SwitchRule::never) continue;
    // Searched backward: the plan comes from there to here, so it does the opposite.
    reach(ref, other, link.there, link.lock, !link.engages,
          kSwitchCost + (rule == SwitchRule::one_way ? kOneWayCost : 0.0));
  }
}

/// Can the field make the switch that leads from `link.there` to here, and undo it?
RouteSearch::SwitchRule RouteSearch::switch_rule(int leaf, const SwitchLink& link, int other) {
  const Hardware& hardware = probe_.hardware();
  if (!problem_.heeded.field || !hardware.checks_field()) return SwitchRule::both_ways;
  // With the free carriage and notched locks the pose of every lock is the same whatever the insertion.
  const bool one_pose = problem_.design.carriage().kind == CarriageKind::free && chart_.coordinates() == 0 &&
                        (link.here.high[1] - link.here.low[1]) < 1e-9 &&
                        (link.here.high[2] - link.here.low[2]) < 1e-9;
  const auto key = std::tuple(leaf, other, link.lock);
  if (one_pose)
    if (const auto known = rules_.find(key); known != rules_.end()) return known->second;
  const BoxVerdict in = hardware.switch_over(probe_.state_box(link.other, link.there), link.lock);
  const BoxVerdict out = hardware.switch_over(probe_.state_box(record(leaf).leaf, link.here), link.lock);
  SwitchRule rule = SwitchRule::both_ways;
  if (out == BoxVerdict::none) rule = SwitchRule::one_way;
  if (in == BoxVerdict::none) rule = SwitchRule::never;
  if (one_pose) rules_[key] = rule;
  return rule;
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
  if (v.stamp == stamp_ && (v.closed || v.cost <= cost)) return;
  v = {cost, from, lock, engages, false, stamp_, static_cast<std::int16_t>(switches)};
  push(to, cost);
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
  if (coarsest <= settings_.attempt_travel_mm) return false;
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
  Threading threading = thread_chain(problem_, chart_, judge_, chain);
  if (threading.failed.empty()) {
    route_ = std::move(threading.route);
    return true;
  }
  note_approach(threading);
  progress = false;
  const auto refine_if_worth = [&](std::size_t k) {
    if (k >= path.size()) return;
    LeafRecord& r = record(path[k].leaf);
    if (r.tree.is_split(path[k].cell)) return;
    if (r.tree.travel(path[k].cell) > settings_.finest_travel_mm) {
      refine(path[k]);
      progress = true;
    } else if (r.stuck.size() <= static_cast<std::size_t>(path[k].cell) ||
               !r.stuck[static_cast<std::size_t>(path[k].cell)]) {
      r.stuck.resize(static_cast<std::size_t>(r.tree.size()), false);
      r.stuck[static_cast<std::size_t>(path[k].cell)] = true;
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
      const auto i = static_cast<std::size_t>(cell);
      if (leaf->tree.is_split(cell) || i >= leaf->visits.size() || leaf->visits[i].stamp != stamp_) continue;
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
  Threading threading = thread_chain(problem_, chart_, judge_, {whole});
  ++tries_;
  if (!threading.failed.empty()) return false;
  route_ = std::move(threading.route);
  return true;
}

SearchOutcome RouteSearch::run() {
  if (problem_.goal.holds(Shape(problem_.design, start_state()).tip_E())) {
    route_ = Route{};
    return SearchOutcome::found;
  }
  if (try_straight_for_it()) return SearchOutcome::found;
  while (true) {
    switch (search_once()) {
      case Sweep::stopped:
        return SearchOutcome::stopped;
      case Sweep::exhausted:
        return SearchOutcome::proved_none;
      case Sweep::start_reached:
        break;
    }
    const auto path = path_from(found_start_);
    if (refine_coarse(path)) continue;
    bool progress = false;
    if (try_path(path, progress)) return SearchOutcome::found;
    if (!progress) return SearchOutcome::stopped;
  }
}

Coverage RouteSearch::coverage() const {
  Coverage c;
  c.cells_examined = checks();
  c.finest_cell_mm = kInfinity;
  for (const auto& leaf : leaves_)
    for (int cell = 0; cell < leaf->tree.size(); ++cell) {
      if (leaf->tree.is_split(cell)) continue;
      const bool reached = static_cast<std::size_t>(cell) < leaf->visits.size() &&
                           leaf->visits[static_cast<std::size_t>(cell)].stamp == stamp_;
      if (leaf->tree.status(cell) == CellStatus::blocked)
        ++c.cells_excluded;
      else if (reached && leaf->tree.status(cell) == CellStatus::mixed)
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
