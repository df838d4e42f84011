// SPDX-License-Identifier: GPL-3.0-or-later
// The search itself: what is looked at in which order.
#include "planner/search/route/route_search.h"

#include <algorithm>
#include <cmath>

#include "planner/search/route/way_label.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// What a lock switch costs beside a millimetre of motion: ways with fewer switches are looked at first unless
// they lead through much that is unproved.
constexpr double kSwitchCost = 100.0;
// Weight of the distance left to the start: above 1 it trades the shortest way for an earlier one, which any
// plan is made from anyway.
constexpr double kGreed = 2.0;
// A cell that can't be split any more is passed only when nothing else is left.
constexpr double kStuckCost = 1e5;

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
  if (is_stuck(ref)) return kStuckCost;  // be it free: a motion through it did not verify
  if (r.tree.status(ref.cell) == CellStatus::free) return 0.0;
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
      return !cut_short_ && !must_stop();
    };
    if (!for_each_leaf(problem_.design, chart_, levels_open_, settings_.effort, open)) return false;
    ++levels_open_;
  }
  return true;
}

/// A* from the target's cells, with what is known of the cells now, from where it stood.
RouteSearch::Sweep RouteSearch::search_on() {
  while (true) {
    if (!open_due_levels() || cut_short_) return Sweep::stopped;
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
    v.expanded = true;
    if (home_of(entry.ref) >= 0) {
      found_start_ = entry.ref;
      return Sweep::start_reached;
    }
    expand(entry.ref);
    if (++expansions_ % shares::kAskInterval == 0 && must_stop()) return Sweep::stopped;
  }
}

void RouteSearch::expand(const CellRef& ref) {
  const Box b = box(ref);
  reach(ref, ref.leaf, b, -1, false, 0.0);
  each_link(ref, [&](const SwitchLink& link) {
    const int other = leaf_index(link.other);
    if (record(other).tree.status(0) == CellStatus::blocked && !record(other).tree.is_split(0)) return;
    if (!field_may_switch(ref.leaf, link, other)) return;
    // Searched backward: the plan comes from there to here, so it does the opposite.
    reach(ref, other, link.there, link.lock, !link.engages, kSwitchCost);
  });
}

/// May the field make the switch that leads from `link.there` to here somewhere, and undo it? A plan comes
/// back by the way it went, so what can't be undone is no part of any.
bool RouteSearch::field_may_switch(int leaf, const SwitchLink& link, int other) {
  const Hardware& hardware = probe_.hardware();
  if (!problem_.heeded.field || !hardware.checks_field()) return true;
  // With the free carriage and notched locks every lock has the same pose against the others, and in a
  // uniform field, whatever the insertion.
  const bool one_pose = problem_.design.field()->coils.empty() &&
                        problem_.design.carriage().kind == CarriageKind::free && chart_.coordinates() == 0 &&
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
  if (v.reached() && !improves({switches, cost}, {v.switches, v.cost}, v.closed, switches_limited())) return;
  v.next = from;
  v.lock = lock;
  v.engages = engages;
  v.switches = static_cast<std::int16_t>(switches);
  push(to, cost);
}

SearchOutcome RouteSearch::run() {
  if (cut_short_) forget_ways();
  route_home_ = 0;
  route_known_ = 0;
  if (problem_.goal.holds(Shape(problem_.design, start_state()).tip_E())) {
    route_ = Route{};
    return SearchOutcome::found;
  }
  if (try_directly() || try_straight_for_it() || try_notches_for_it()) return SearchOutcome::found;
  while (!settings_.effort.cut_short()) {
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
  return SearchOutcome::stopped;
}

}  // namespace withy
