// SPDX-License-Identifier: GPL-3.0-or-later
// What one search keeps from target to target.
#include <algorithm>
#include <cassert>

#include "planner/search/route/route_search.h"

namespace withy {

void RouteSearch::retarget(std::int64_t more_work) {
  settings_.effort = settings_.effort.renewed(work() + more_work);
  best_approach_.reset();
  forget_ways();
}

/// What is left are the cells.
void RouteSearch::forget_ways() {
  for (const CellRef& ref : touched_) {
    const bool stuck = visit(ref).stuck;
    visit(ref) = Visit{};
    visit(ref).stuck = stuck;
  }
  touched_.clear();
  changed_.clear();
  queue_.clear();
  levels_open_ = 0;
  cut_short_ = false;
}

/// Whatever the target, a state of a cell that the search reached could only come from states of other such
/// cells, and the start is in none: as good as blocked.
void RouteSearch::bury() {
  for (const auto& leaf : leaves_) {
    CellTree& tree = leaf->tree;
    leaf->buried.resize(static_cast<std::size_t>(tree.size()), false);
    for (int cell = tree.size() - 1; cell >= 0; --cell) {  // children stand behind their parents
      const bool dead = tree.is_split(cell)
                            ? tree.status(tree.first_child(cell)) == CellStatus::blocked &&
                                  tree.status(tree.first_child(cell) + 1) == CellStatus::blocked
                            : reached(*leaf, cell);
      if (dead && !tree.is_split(cell)) leaf->buried[static_cast<std::size_t>(cell)] = true;
      if (dead) tree.set_status(cell, CellStatus::blocked);
    }
  }
}

void RouteSearch::keep_route() {
  int at = route_home_;
  for (std::size_t i = route_known_; i < route_.steps.size(); ++i) {
    homes_.push_back({at, route_.steps[i]});
    at = static_cast<int>(homes_.size()) - 1;
    settle_anywhere(at);
  }
}

bool RouteSearch::is_stuck(const CellRef& ref) const {
  const std::vector<Visit>& visits = record(ref.leaf).visits;
  const auto i = static_cast<std::size_t>(ref.cell);
  return i < visits.size() && visits[i].stuck;
}

/// A state in the cell to start from, as an index into homes_; -1 when none is known. A cell that nothing
/// could be threaded through is no home, so that the search goes round it.
int RouteSearch::home_of(const CellRef& ref) const {
  if (holds_start(ref)) return 0;
  const std::vector<int>& home = record(ref.leaf).home;
  const auto i = static_cast<std::size_t>(ref.cell);
  return i < home.size() && home[i] > 0 && !is_stuck(ref) ? home[i] : -1;
}

/// Notes `home` as a state of the cell, if it lies in it and none is known there.
void RouteSearch::settle(int home, const CellRef& ref) {
  const auto x = coordinates_of(chart_, homes_[static_cast<std::size_t>(home)].step.to);
  const Box b = box(ref);
  for (int k = 0; k < b.dimensions; ++k)
    if (!b.contains(k, x[Box::idx(k)])) return;
  LeafRecord& leaf = record(ref.leaf);
  const auto i = static_cast<std::size_t>(ref.cell);
  if (leaf.home.size() <= i) leaf.home.resize(static_cast<std::size_t>(leaf.tree.size()), 0);
  if (leaf.home[i] == 0) leaf.home[i] = home;
}

void RouteSearch::settle_anywhere(int home) {
  const State& state = homes_[static_cast<std::size_t>(home)].step.to;
  const int leaf = leaf_index(leaf_of(chart_, state));
  Box point;
  point.dimensions = record(leaf).tree.box(0).dimensions;
  point.low = point.high = coordinates_of(chart_, state);
  record(leaf).tree.for_each_meeting(point, [&](int cell) { settle(home, {leaf, cell}); });
}

/// Puts the way to `home` before what was threaded from there; how many steps it has.
std::size_t RouteSearch::lead_in(Threading& threading, int home) const {
  std::vector<RouteStep> way;
  for (int at = home; at > 0; at = homes_[static_cast<std::size_t>(at)].parent)
    way.push_back(homes_[static_cast<std::size_t>(at)].step);
  threading.proved_steps += way.size();
  threading.route.steps.insert(threading.route.steps.begin(), way.rbegin(), way.rend());
  return way.size();
}

}  // namespace withy
