// SPDX-License-Identifier: GPL-3.0-or-later
// The cells of a search: what is known of them, how they are cut, which may hold the goal.
#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>
#include <ostream>

#include <fmt/format.h>

#include "planner/search/route/route_search.h"

namespace withy {

int RouteSearch::leaf_index(const Leaf& leaf) {
  const auto [found, fresh] = leaf_of_key_.try_emplace(leaf.key(), static_cast<int>(leaves_.size()));
  if (fresh) {
    leaves_.push_back(std::make_unique<LeafRecord>(
        LeafRecord{leaf, CellTree(whole_leaf(problem_.design, chart_, leaf)), {}, {}, {}}));
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
    const Box b = leaf.tree.box(ref.cell);
    const CellLook look = probe_.check(leaf.leaf, b);
    const bool resize = look.slides != leaf.tree.slides(ref.cell) || leaf.tree.travel(ref.cell) < 0.0;
    leaf.tree.set_status(ref.cell, look.status);
    leaf.tree.set_hints(ref.cell, look.slides,
                        look.cut_insertion && 2.0 * b.half(0) > settings_.finest_travel_mm);
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
  visit(ref).expanded = true;
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
  if (++goal_checks_ % shares::kAskInterval == 0 && must_stop()) cut_short_ = true;
  if (cut_short_) return;
  const Leaf& leaf = record(ref.leaf).leaf;
  const Box b = tree.box(ref.cell);
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

/// Queues a cell that may hold the goal: a way ends there, and takes no switch. Where switches are limited
/// that is also better than a way that leads on from it to another goal cell by a switch.
void RouteSearch::seed(const CellRef& ref) {
  Visit& v = visit(ref);
  v.goal = true;
  if (v.reached() && !(switches_limited() && v.switches > 0)) return;
  v.next = CellRef{};
  v.lock = -1;
  v.switches = 0;
  push(ref, cell_penalty(ref));
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
  if (visit(ref).expanded) {
    // It had another way before, which others lead through.
    split(ref, probe_.travel(record(ref.leaf).leaf, box(ref)).widest);
    changed_.push_back(ref);
    mend_ways();
    return;
  }
  visit(ref).forget();
  visit(ref).goal = false;
  split(ref, probe_.travel(record(ref.leaf).leaf, box(ref)).widest);
  const int first = record(ref.leaf).tree.first_child(ref.cell);
  seek_goals({ref.leaf, first});
  seek_goals({ref.leaf, first + 1});
  // What was beside the cell before may have left it to be reached from the goal.
  reopen_around(ref);
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

Coverage RouteSearch::coverage() const {
  Coverage c;
  c.cells_examined = checks();
  c.finest_cell_mm = std::numeric_limits<double>::infinity();
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
