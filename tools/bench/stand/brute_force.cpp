// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/stand/brute_force.h"

#include <algorithm>
#include <cmath>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/shape.h"

namespace withy::bench {
namespace {

class BruteForce {
 public:
  BruteForce(const SearchProblem& problem, const Stander& stander, const BruteSettings& settings)
      : problem_(problem), stander_(stander), settings_(settings), search_(problem, RouteSearchSettings{}) {}

  BruteResult run() {
    const BendChart chart(problem_.design, problem_.heeded.tendons);
    for (int engaged = 0; engaged <= std::min(1, problem_.design.lock_count()); ++engaged)
      for_each_leaf(problem_.design, chart, engaged, Effort(), [&](const Leaf& leaf) {
        try_leaf(leaf);
        return true;
      });
    return result_;
  }

 private:
  void try_leaf(const Leaf& leaf) {
    const double kappa = problem_.design.segment().curvature_max_per_mm;
    State state;
    state.engaged = leaf.engaged;
    state.theta_frozen = leaf.base;
    const int n = settings_.bends;
    for (int i = 0; i <= n; ++i)
      for (int j = 0; j <= n; ++j) {
        state.u_free = kappa * Eigen::Vector2d(2.0 * i / n - 1.0, 2.0 * j / n - 1.0);
        if (state.u_free.norm() <= kappa) try_bend(state);
      }
  }

  /// With the free carriage the tip goes along the axis as the insertion does; with a guide it goes along the
  /// body, about. Insertions are spread over what is within the tolerance at its widest.
  void try_bend(State state) {
    const double most = problem_.design.carriage().insertion_max_mm;
    constexpr double kCoarse_mm = 1.0;
    double nearest = kInfinity;
    double at = 0.0;
    for (double d = 0.0; d <= most; d += kCoarse_mm) {
      state.insertion_mm = d;
      const double off = problem_.goal.distance(Shape(problem_.design, state).tip_E());
      if (off < nearest) {
        nearest = off;
        at = d;
      }
    }
    if (nearest > problem_.goal.tolerance_mm + kCoarse_mm) return;
    for (int k = 0; k < settings_.depths; ++k) {
      const double share = settings_.depths > 1 ? 2.0 * k / (settings_.depths - 1) - 1.0 : 0.0;
      state.insertion_mm = std::clamp(at + share * problem_.goal.tolerance_mm, 0.0, most);
      if (problem_.goal.holds(Shape(problem_.design, state).tip_E())) try_state(state);
    }
  }

  void try_state(const State& state) {
    ++result_.states;
    // What fails at its end more often than the best plan fails can't be better.
    const int fails = stander_.fails_at(state, settings_.draws);
    if (result_.fewest >= 0 && fails >= result_.fewest) return;
    const StepJudge& judge = search_.judge();
    if (!judge.motion_allowed(state, state)) return;
    const WayOut out = search_.way_out(state, {});
    if (!out.whole) return;
    const auto plan = make_plan(judge, tidy(judge, reversed(out.route)));
    if (!plan) return;
    ++result_.plans;
    const int whole = stander_.chance(*plan, settings_.draws).fails.benches;
    if (result_.fewest < 0 || whole < result_.fewest) result_.fewest = whole;
  }

  const SearchProblem& problem_;
  const Stander& stander_;
  const BruteSettings& settings_;
  RouteSearch search_;
  BruteResult result_;
};

}  // namespace

BruteResult search_by_brute_force(const SearchProblem& problem, const Stander& stander,
                                  const BruteSettings& settings) {
  return BruteForce(problem, stander, settings).run();
}

}  // namespace withy::bench
