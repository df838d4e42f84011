// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/elsewhere/stuck_locks.h"

#include <utility>

#include "planner/effort/shares.h"
#include "planner/search/cells/cell_probe.h"
#include "planner/search/route/direct_attempt.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_tidy.h"

namespace withy {
namespace {

class WaysPast {
 public:
  WaysPast(const SearchProblem& problem, const Plan& plan, const Effort& effort)
      : plan_(plan),
        effort_(effort),
        chart_(problem.design, problem.heeded.tendons),
        probe_(problem, chart_),
        judge_(problem, probe_.hardware()),
        attempt_(problem.goal, probe_, judge_) {}

  StuckLock at(int index) {
    const PlannedAction& action = plan_.actions[static_cast<std::size_t>(index)];
    StuckLock stuck;
    stuck.action = index;
    stuck.lock = action.lock;
    stuck.engaged = action.kind == ActionKind::unlock;
    if (!take_rest_of_plan(action, stuck)) draw_back(state(action.from), stuck);
    return stuck;
  }

 private:
  const PlannedState& state(int i) const { return plan_.states[static_cast<std::size_t>(i)]; }

  /// The last action that switches `lock`; -1 where none does.
  int last_switch_of(int lock) const {
    for (auto i = static_cast<int>(plan_.actions.size()); i-- > 0;)
      if (plan_.actions[static_cast<std::size_t>(i)].lock == lock) return i;
    return -1;
  }

  /// The rest of the plan from where it passes the switch's state again, the lock not being switched any
  /// more.
  bool take_rest_of_plan(const PlannedAction& action, StuckLock& stuck) const {
    const State& from = state(action.from);
    for (int i = last_switch_of(action.lock) + 1; i <= static_cast<int>(plan_.actions.size()); ++i) {
      if (!(static_cast<const State&>(state(i)) == from)) continue;
      stuck.out = true;
      stuck.states.assign(plan_.states.begin() + i, plan_.states.end());
      stuck.actions.assign(plan_.actions.begin() + i, plan_.actions.end());
      for (PlannedAction& rest : stuck.actions) {
        rest.leg = Leg::out;
        rest.from -= i;
        rest.to -= i;
      }
      return true;
    }
    return false;
  }

  void draw_back(const State& from, StuckLock& stuck) {
    LockSet held;
    held.set(static_cast<std::size_t>(stuck.lock));
    const std::int64_t done = attempt_.work();
    const WayOut found = attempt_.way_out(from, held, effort_);
    auto way = make_way_out(judge_, tidy(judge_, found.route, effort_));
    if (!way) way = make_way_out(judge_, Route{{}, from});
    if (way) {
      stuck.states = std::move(way->states);
      stuck.actions = std::move(way->actions);
    }
    const State& end = stuck.states.empty() ? from : stuck.states.back();
    stuck.ends_at_mm = end.insertion_mm;
    stuck.out = end.insertion_mm <= 0.0;
    if (stuck.out) return;
    stuck.blocked_by = what_ended_the_look(attempt_.work() - done);
    stuck.looked_to_end = stuck.blocked_by.empty();
    if (!stuck.looked_to_end) return;
    State out = end;
    out.insertion_mm = 0.0;
    stuck.blocked_by = judge_.objection(out, end);
    if (stuck.blocked_by.empty()) stuck.blocked_by = "no verified motion leads on";
  }

  /// Empty where it came to its end.
  std::string what_ended_the_look(std::int64_t work) const {
    const std::string open = "not looked at to the end: ";
    if (effort_.cut_short()) return open + "the time was up, a larger --budget gives it more";
    return work < shares::kWayOutWork ? std::string() : open + "its share of work was done";
  }

  const Plan& plan_;
  Effort effort_;
  BendChart chart_;
  CellProbe probe_;
  StepJudge judge_;
  DirectAttempt attempt_;
};

}  // namespace

std::vector<StuckLock> find_ways_past_stuck_locks(const SearchProblem& problem, const Plan& plan,
                                                  const Effort& effort) {
  std::vector<StuckLock> stuck;
  std::optional<WaysPast> ways;
  for (std::size_t i = 0; i < plan.actions.size(); ++i) {
    if (plan.actions[i].lock < 0) continue;
    if (!ways) ways.emplace(problem, plan, effort);
    stuck.push_back(ways->at(static_cast<int>(i)));
  }
  return stuck;
}

}  // namespace withy
