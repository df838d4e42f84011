// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/goal_cells.h"

#include <algorithm>

#include "planner/search/cells/goal_descent.h"
#include "planner/search/route/thread.h"

namespace withy {

bool GoalCells::open_due_levels() {
  const Design& design = store_.problem().design;
  const int levels = std::min(design.lock_count(), settings_.most_switches) + 1;
  while (levels_open_ < levels && (queue_.empty() || queue_.least_key() >= kSwitchCost * levels_open_)) {
    const auto open = [&](const Leaf& leaf) {
      seek({store_.index_of(leaf), 0});
      return !cut_short_ && !work_.must_stop();
    };
    if (!for_each_leaf(design, store_.chart(), levels_open_, settings_.effort, open)) return false;
    ++levels_open_;
  }
  return !cut_short_;
}

void GoalCells::seek(const CellRef& ref) {
  if (store_.status(ref) == CellStatus::blocked) return;
  work_.add_goal_check();
  if (work_.must_stop_goal_checks()) cut_short_ = true;
  if (cut_short_) return;
  const Box box = store_.box(ref);
  if (!store_.probe().may_hold_goal(goal_, store_.leaf(ref), box)) return;
  if (!store_.is_split(ref)) {
    const CellTravel tip = store_.probe().travel(store_.leaf(ref), box);
    if (tip.total <= settings_.coarse_travel_mm) {
      if (store_.look(ref) != CellStatus::blocked) seed(ref);
      return;
    }
    queue_.split(ref, tip.widest);
  }
  for (const CellRef& part : store_.parts(ref)) seek(part);
}

/// Queues a cell that may hold the goal: a way ends there, and takes no switch. Where switches are limited
/// that is also better than a way that leads on from it to another goal cell by a switch.
void GoalCells::seed(const CellRef& ref) {
  CellLabel& label = queue_.label(ref);
  label.goal = true;
  if (label.reached() && !(settings_.limits_switches() && label.switches > 0)) return;
  label.next = CellRef{};
  label.lock = -1;
  label.switches = 0;
  queue_.push(ref, passing_cost(store_, ref, settings_.coarse_travel_mm));
}

bool GoalCells::counts_as_goal(const CellRef& ref) {
  const Box box = store_.box(ref);
  const double enough =
      box.dimensions > 3 ? settings_.finest_goal_with_friction_mm : settings_.finest_goal_mm;
  if (store_.probe().travel(store_.leaf(ref), box).total <= enough) return true;
  const Design& design = store_.problem().design;
  const State centre = centre_state(store_.chart(), store_.leaf(ref), box);
  return descend_to_goal(design, goal_, centre, goal_descent_in(design, box)).has_value();
}

void GoalCells::split_by_tip(const CellRef& ref) {
  queue_.split(ref, store_.probe().travel(store_.leaf(ref), store_.box(ref)).widest);
}

}  // namespace withy
