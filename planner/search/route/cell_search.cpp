// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/cell_search.h"

#include <cmath>

#include "planner/search/route/way_label.h"

namespace withy {

int entrance_of(const CellStore& store, const CellRef& ref) {
  if (store.holds_start(ref)) return 0;
  const int mark = store.mark_of(ref);
  return mark > 0 && !store.is_stuck(ref) ? mark : -1;
}

CellSearch::CellSearch(const Goal& goal, const RouteSearchSettings& settings, CellStore& store,
                       FieldGate& gate, SearchWork& work)
    : settings_(settings),
      store_(store),
      gate_(gate),
      work_(work),
      queue_(store),
      goals_(goal, settings, store, queue_, work) {}

CellSearch::Outcome CellSearch::run() {
  while (true) {
    if (links_cut_short_ || !goals_.open_due_levels()) return Outcome::stopped;
    if (queue_.has_broken()) {
      mend();
      continue;
    }
    // A set that holds the start proves nothing.
    if (queue_.empty()) return start_is_reached() ? Outcome::stopped : Outcome::exhausted;
    const auto ref = queue_.pop();
    if (!ref || !settle_goal(*ref)) continue;
    CellLabel& label = queue_.label(*ref);
    label.closed = true;
    label.expanded = true;
    if (entrance_of(store_, *ref) >= 0) {
      arrived_ = *ref;
      return Outcome::arrived;
    }
    expand(*ref);
    work_.add_expansion();
    if (work_.must_stop_expanding()) return Outcome::stopped;
  }
}

bool CellSearch::start_is_reached() const {
  bool reached = false;
  const int leaf = store_.start_leaf();
  if (leaf < 0) return false;
  store_.tree(leaf).for_each_meeting(store_.tree(leaf).box(0), [&](int cell) {
    const CellRef ref{leaf, cell};
    reached = reached || (labels().reached(ref) && store_.holds_start(ref));
  });
  return reached;
}

/// Where a way ends, the cell should surely hold the goal; false where that is left to its parts.
bool CellSearch::settle_goal(const CellRef& ref) {
  CellLabel& label = queue_.label(ref);
  if (label.next.leaf >= 0 || label.witnessed) return true;
  label.witnessed = goals_.counts_as_goal(ref);
  if (!label.witnessed) sharpen_goal(ref);
  return queue_.label(ref).witnessed;
}

/// A way should not end in a cell that only might hold the goal: its parts are looked at instead.
void CellSearch::sharpen_goal(const CellRef& ref) {
  if (queue_.label(ref).expanded) {
    // It had another way before, which others lead through.
    goals_.split_by_tip(ref);
    changed_.push_back(ref);
    mend();
    return;
  }
  queue_.label(ref).forget();
  queue_.label(ref).goal = false;
  goals_.split_by_tip(ref);
  for (const CellRef& part : store_.parts(ref)) goals_.seek(part);
  // What was beside the cell before may have left it to be reached from the goal.
  reopen_around(ref);
}

void CellSearch::expand(const CellRef& ref) {
  const Box box = store_.box(ref);
  reach(ref, ref.leaf, box, -1, false);
  each_link(ref, [&](const SwitchLink& link) {
    const int other = store_.index_of(link.other);
    const CellRef whole{other, 0};
    if (store_.status(whole) == CellStatus::blocked && !store_.is_split(whole)) return;
    if (!gate_.may_switch(ref.leaf, link, other)) return;
    // Searched backward: the plan comes from there to here, so it does the opposite.
    reach(ref, other, link.there, link.lock, !link.engages);
  });
}

/// Hands out the switches that lead out of a cell, as long as the effort lasts. Where it does not, what is
/// known is not whole any more, and nothing can be proved of it.
void CellSearch::each_link(const CellRef& ref, const std::function<void(const SwitchLink&)>& take) {
  std::int64_t here = 0;
  const auto hand_out = [&](const SwitchLink& link) {
    const bool covered = ++here <= shares::kLinksOfExpansion;
    work_.add_link(covered);
    if (work_.must_stop_links(covered)) links_cut_short_ = true;
    if (!cut_short()) take(link);
    return !cut_short();
  };
  if (!for_each_link(store_.problem().design, store_.chart(), store_.leaf(ref), store_.box(ref),
                     settings_.effort, hand_out))
    links_cut_short_ = true;
}

/// Looks at every cell of `leaf` that meets `query`, splitting what is mixed and coarse, and relaxes what may
/// be passed.
void CellSearch::reach(const CellRef& from, int leaf, const Box& query, int lock, bool engages) {
  const CellTree& tree = store_.tree(leaf);
  std::vector<int> todo;
  tree.for_each_meeting(query, [&](int cell) { todo.push_back(cell); });
  while (!todo.empty()) {
    const CellRef to{leaf, todo.back()};
    todo.pop_back();
    if (to == from) continue;
    if (lock < 0 && query.dimensions > 3 && !boxes_touch(query, store_.box(to))) continue;
    const CellStatus status = store_.look(to);
    if (status == CellStatus::blocked) continue;
    if (status == CellStatus::mixed && store_.travel_mm(to) > settings_.coarse_travel_mm) {
      queue_.split(to);
      for (const CellRef& part : store_.parts(to))
        if (tree.meets(part.cell, query)) todo.push_back(part.cell);
      continue;
    }
    relax(from, to, lock, engages);
  }
}

void CellSearch::relax(const CellRef& from, const CellRef& to, int lock, bool engages) {
  const CellLabel source = queue_.label(from);
  if (!settings_.limits_switches() && labels().of(to).closed) return;  // nothing improves it (way_label.h)
  const int switches = source.switches + (lock >= 0 ? 1 : 0);
  if (switches + store_.leaf(to).engaged_count() > settings_.most_switches) return;
  double step = passing_cost(store_, to, settings_.coarse_travel_mm);
  if (lock >= 0) {
    step += kSwitchCost;
  } else {
    const CellTree& tree = store_.tree(to.leaf);  // of both
    const auto between = [&](int k) { return tree.centre(from.cell, k) - tree.centre(to.cell, k); };
    step += std::abs(between(0)) +
            tip_lever_mm2(store_.problem().design) * Eigen::Vector2d(between(1), between(2)).norm();
  }
  CellLabel& label = queue_.label(to);
  const double cost = source.cost + step;
  if (label.reached() &&
      !improves({switches, cost}, {label.switches, label.cost}, label.closed, settings_.limits_switches()))
    return;
  label.next = from;
  label.lock = lock;
  label.engages = engages;
  label.switches = static_cast<std::int16_t>(switches);
  queue_.push(to, cost);
}

std::vector<CellRef> CellSearch::way() const {
  std::vector<CellRef> way;
  for (CellRef at = arrived_; at.leaf >= 0; at = labels().of(at).next) way.push_back(at);
  return way;
}

void CellSearch::refine(const CellRef& ref) {
  changed_.push_back(ref);
  if (store_.tree(ref.leaf).cut_insertion(ref.cell)) {
    queue_.split(ref, 0);
    return;
  }
  const double enough = 0.55 * store_.travel_mm(ref);
  std::vector<CellRef> todo = {ref};
  while (!todo.empty()) {
    const CellRef at = todo.back();
    todo.pop_back();
    if (store_.travel_mm(at) <= enough || store_.is_split(at)) continue;
    queue_.split(at);
    for (const CellRef& part : store_.parts(at)) todo.push_back(part);
  }
}

void CellSearch::cut(const CellRef& ref, int coordinate) {
  changed_.push_back(ref);
  if (!store_.is_split(ref)) queue_.split(ref, coordinate);
}

void CellSearch::give_up(const CellRef& ref) {
  store_.set_stuck(ref);
  changed_.push_back(ref);
}

/// Forgets what was reached through changed cells, and opens again what stands beside it.
void CellSearch::mend() {
  for (const CellRef& ref : queue_.take_broken()) changed_.push_back(ref);
  const std::vector<CellRef> lost = lost_cells();
  changed_.clear();
  for (const CellRef& ref : lost) queue_.label(ref).forget();
  for (const CellRef& ref : lost) {
    if (queue_.label(ref).goal) {
      queue_.label(ref).goal = false;
      goals_.seek(ref);
    }
    reopen_around(ref);
  }
}

/// The cells that changed, and those whose way leads through one.
std::vector<CellRef> CellSearch::lost_cells() {
  const std::vector<CellRef>& touched = queue_.touched();
  for (const CellRef& ref : touched) queue_.label(ref).way = CellLabel::Way::unknown;
  for (const CellRef& ref : changed_) queue_.label(ref).way = CellLabel::Way::lost;
  std::vector<CellRef> lost;
  for (const CellRef& ref : touched)
    if (labels().reached(ref) && !way_stands(ref)) lost.push_back(ref);
  return lost;
}

/// Follows a cell's way until what became of it is known, and notes that for all that was passed.
bool CellSearch::way_stands(CellRef ref) {
  std::vector<CellRef> passed;
  auto way = CellLabel::Way::stands;  // of what ends in a goal cell
  for (; ref.leaf >= 0; ref = queue_.label(ref).next) {
    way = queue_.label(ref).way;
    if (way != CellLabel::Way::unknown) break;
    way = CellLabel::Way::stands;
    passed.push_back(ref);
  }
  for (const CellRef& p : passed) queue_.label(p).way = way;
  return way == CellLabel::Way::stands;
}

/// Every cell with a way that stands, from which `ref` may be reached.
void CellSearch::reopen_around(const CellRef& ref) {
  const Box box = store_.box(ref);
  reopen_meeting(ref.leaf, box);
  each_link(ref, [&](const SwitchLink& link) {
    if (const int known = store_.find(link.other); known >= 0) reopen_meeting(known, link.there);
  });
}

void CellSearch::reopen_meeting(int leaf, const Box& query) {
  store_.tree(leaf).for_each_meeting(query, [&](int cell) {
    const CellLabel& label = labels().of({leaf, cell});
    if (label.reached() && label.closed) queue_.push({leaf, cell}, label.cost);
  });
}

}  // namespace withy
