// SPDX-License-Identifier: GPL-3.0-or-later
// The short attempt before the complete search: from goal states straight back to the start.
//
// Leaves with few engaged locks come first. In each, Gauss-Newton steps (J. Nocedal and S. J. Wright,
// "Numerical Optimization", 2nd ed., 2006, section 10.3) on insertion and free curvature (with friction locks
// on the frozen bends as well: friction_goals.h) place the tip at the target. The goal states that are clear
// of the wall are then drawn back, those with most room first: out along the axis as far as allowed, bent to
// where the body has most room where that is not far, locks released where they can be. Every motion and
// every switch is judged exactly, forward. The first way that arrives at the start is the answer; none says
// nothing.
//
// The same steps lead from any state back out (way_out): what a lock that sticks leaves to do, or a plan that
// begins elsewhere.
//
// Bounded by counted work, with no randomness and no clock but in the effort: the same problem gets the same
// route on any machine.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/cells/cell_probe.h"
#include "planner/search/route/route.h"

namespace withy {

/// A way back out, as far as it was found.
struct WayOut {
  Route route;         ///< from the state that was asked about; every motion and switch is allowed
  bool whole = false;  ///< it ends where it was to end
};

/// What it keeps references to must outlive it.
class DirectAttempt {
 public:
  DirectAttempt(const Goal& goal, CellProbe& probe, const StepJudge& judge)
      : problem_(judge.problem()), goal_(goal), probe_(probe), judge_(judge) {}

  /// A route with at most so many switches, each of which engages a lock. It stops at the first.
  std::optional<Route> run(int most_switches, const Effort& effort);

  /// From `from`, which keeps the limits, back to start_state(). Where locks are `held`, that is stay as they
  /// are whatever the field does, only out to insertion 0. Not whole: as far out as was found, which proves
  /// nothing of the rest.
  WayOut way_out(const State& from, const LockSet& held, const Effort& effort);

  /// As RouteSearch::work().
  std::int64_t work() const;

 private:
  struct GoalState {
    State state;
    double margin_mm;
  };
  /// One state of a way back, and the lock whose release led there from the one before; -1 for a motion.
  struct BackStep {
    State at;
    int lock = -1;
  };

  bool spent() const { return work_ >= most_work_ || effort_.cut_short(); }
  std::vector<GoalState> goal_states(int engaged);
  static void sort_widest_first(std::vector<GoalState>& goals);
  void add_goal_states(const Leaf& leaf, const Box& box, int halvings, std::vector<State>& out);
  std::optional<State> solve_goal(State state);
  State spared(const State& goal);
  double margin(const State& state);
  bool moves(const State& from, const State& to);
  bool arrived(const State& at);
  bool draw_back(const State& from);
  bool go_on(BackStep step);
  bool release_one(const State& from);
  bool draw_some(const State& from);
  State widest(State state);
  Route route() const;

  const SearchProblem& problem_;
  const Goal& goal_;
  CellProbe& probe_;
  const StepJudge& judge_;
  std::vector<BackStep> way_;       // from the goal state on
  std::vector<BackStep> farthest_;  // that of all of them which came out farthest
  State end_ = start_state();       // where they are to end
  LockSet held_;                    // locks that can't be released; ways then end at insertion 0
  std::int64_t work_ = 0;           // in quarters of a microsecond
  std::int64_t most_work_ = 0;
  Effort effort_;
  std::int64_t one_goals_end_ = 0;  // the work at which drawing back this goal state ends
};

}  // namespace withy
