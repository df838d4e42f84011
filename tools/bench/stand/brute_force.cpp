// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/stand/brute_force.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <utility>
#include <vector>

#include <boost/math/distributions/binomial.hpp>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/shape.h"

namespace withy::bench {
namespace {

/// With a guide the insertion moves the tip by more than itself, where frozen bends come out of it.
constexpr double kGuideFactor = 2.0;

/// Insertions and free curvatures about a middle.
struct Box {
  double d_mm, half_d_mm;
  Eigen::Vector2d u;
  double half_u;
};

class BruteForce {
 public:
  BruteForce(const SearchProblem& problem, const Stander& stander, const BruteSettings& settings)
      : problem_(problem),
        stander_(stander),
        settings_(settings),
        first_most_(first_most(settings)),
        search_(problem, RouteSearchSettings{}) {}

  BruteResult run() {
    list_ends();
    std::stable_sort(ends_.begin(), ends_.end(),
                     [](const End& a, const End& b) { return a.sort_fails < b.sort_fails; });
    for (const End& end : ends_) {
      if (result_.plans == settings_.most_plans) result_.whole = false;
      if (!result_.whole) break;
      try_end(end);
    }
    judge();
    return result_;
  }

 private:
  struct End {
    State state;
    int sort_fails;
  };

  void list_ends() {
    const BendChart chart(problem_.design, problem_.heeded.tendons);
    const double kappa = problem_.design.segment().curvature_max_per_mm;
    const double most = problem_.design.carriage().insertion_max_mm;
    for (int engaged = 0; engaged <= std::min(1, problem_.design.lock_count()); ++engaged)
      for_each_leaf(problem_.design, chart, engaged, Effort(), [&](const Leaf& leaf) {
        State state;
        state.engaged = leaf.engaged;
        state.theta_frozen = leaf.base;
        list_ends_of(state, {0.5 * most, 0.5 * most, Eigen::Vector2d::Zero(), kappa});
        return true;
      });
  }

  /// The grid of one leaf, twice as coarse and more where it would have too many boxes.
  void list_ends_of(const State& leaf, const Box& whole) {
    step_mm_ = settings_.step_mm;
    while (true) {
      boxes_left_ = settings_.boxes_of_leaf;
      tips_.clear();
      look_at(leaf, whole);
      if (boxes_left_ >= 0) break;
      step_mm_ *= 2.0;
    }
    result_.coarser += step_mm_ > settings_.step_mm;
    result_.coarsest_mm = std::max(result_.coarsest_mm, step_mm_);
    const long before = result_.states;
    for (const auto& [state, tip] : tips_) add(state, tip);
    result_.leaves += result_.states > before;
  }

  /// Most that the tip moves over half a box's bends.
  double reach_of_bend(const State& state, const Box& box) const {
    const Region free = regions_of(problem_.design, state).back();
    return std::numbers::sqrt2 * box.half_u * free.flexible_mm * (free.to_mm - free.from_mm);
  }

  void look_at(State state, const Box& box) {
    if (--boxes_left_ < 0) return;
    state.insertion_mm = box.d_mm;
    state.u_free = box.u;
    // With a guide the deepest state of a box has the most flexible length.
    State deepest = state;
    deepest.insertion_mm += box.half_d_mm;
    const bool guide = problem_.design.carriage().kind == CarriageKind::guide;
    const double reach_d = (guide ? kGuideFactor : 1.0) * box.half_d_mm;
    const double reach_u = reach_of_bend(deepest, box);
    const Eigen::Isometry3d tip = Shape(problem_.design, state).tip_E();
    if (problem_.goal.distance(tip) > problem_.goal.tolerance_mm + reach_d + reach_u) return;
    if (guide && same_as_straight(deepest)) return;
    if (2.0 * std::max(reach_d, reach_u) <= step_mm_) {
      tips_.emplace_back(state, tip);
      return;
    }
    if (reach_d >= reach_u) {
      for (const double side : {-0.5, 0.5})
        look_at(state, {box.d_mm + side * box.half_d_mm, 0.5 * box.half_d_mm, box.u, box.half_u});
      return;
    }
    for (const double x : {-0.5, 0.5})
      for (const double y : {-0.5, 0.5})
        look_at(state,
                {box.d_mm, box.half_d_mm, box.u + box.half_u * Eigen::Vector2d(x, y), 0.5 * box.half_u});
  }

  /// Is every frozen bend inside the guide, so that the body is that of bends of zero?
  bool same_as_straight(const State& deepest) const {
    if (std::all_of(deepest.theta_frozen.begin(), deepest.theta_frozen.end(),
                    [](const Eigen::Vector2d& bend) { return bend.isZero(); }))
      return false;
    const auto regions = regions_of(problem_.design, deepest);
    return std::all_of(regions.begin(), regions.end() - 1,
                       [](const Region& region) { return region.flexible_mm < kNoLength_mm; });
  }

  void add(const State& state, const Eigen::Isometry3d& tip) {
    if (!problem_.goal.holds(tip) || !within_limits(problem_.design, state)) return;
    ++result_.states;
    if (stander_.fails_at(state, settings_.first_draws) > first_most_) return;
    ends_.push_back({state, stander_.fails_at(state, settings_.sort_draws)});
  }

  /// Of the first benches, the most that fail at an end worth more of a look: one that fails on no more of
  /// all benches than `own_share` fails on more of these once in a million times.
  static int first_most(const BruteSettings& settings) {
    constexpr double kOnceIn = 1e-6;
    const boost::math::binomial_distribution<double> benches(settings.first_draws, settings.own_share);
    return static_cast<int>(boost::math::quantile(boost::math::complement(benches, kOnceIn)));
  }

  /// The fewest benches that a plan must stay below to count; the first may fail on all.
  int best_so_far() const { return plans_.empty() ? settings_.draws + 1 : plans_.front().first; }

  void try_end(const End& end) {
    if (end.sort_fails >= best_so_far()) return;
    const StepJudge& judge = search_.judge();
    if (!judge.motion_allowed(end.state, end.state)) return;
    const int fails_there = stander_.fails_at(end.state, settings_.draws);
    if (result_.best_end < 0 || fails_there < result_.best_end) result_.best_end = fails_there;
    if (fails_there >= best_so_far()) return;
    const WayOut out = search_.way_out(end.state, {});
    if (!out.whole) return;
    const Route tidied = tidy(judge, reversed(out.route));
    auto plan = make_plan(judge, clear_hunts(judge, tidied));
    if (!plan) plan = make_plan(judge, tidied);
    if (!plan) return;
    ++result_.plans;
    const int fails = stander_.fails(*plan, settings_.draws, settings_.draws);
    plans_.insert(std::upper_bound(plans_.begin(), plans_.end(), fails,
                                   [](int value, const auto& kept) { return value < kept.first; }),
                  {fails, std::move(*plan)});
    if (plans_.size() > static_cast<std::size_t>(settings_.reserve_plans)) plans_.pop_back();
  }

  void judge() {
    for (const auto& [fails, plan] : plans_) {
      const Standing standing = stander_.judge(plan);
      if (!result_.best || stands_more(standing, *result_.best)) result_.best = standing;
      if (!result_.surest || standing.reserve > result_.surest->reserve) result_.surest = standing;
    }
  }

  const SearchProblem& problem_;
  const Stander& stander_;
  const BruteSettings& settings_;
  int first_most_;
  RouteSearch search_;
  std::vector<End> ends_;
  double step_mm_ = 0.0;                                   // of the leaf that is looked at
  long boxes_left_ = 0;                                    // below 0: its grid is too fine
  std::vector<std::pair<State, Eigen::Isometry3d>> tips_;  // of its finest boxes
  std::vector<std::pair<int, Plan>> plans_;                // the best, by benches that fail
  BruteResult result_;
};

}  // namespace

BruteResult search_by_brute_force(const SearchProblem& problem, const Stander& stander,
                                  const BruteSettings& settings) {
  return BruteForce(problem, stander, settings).run();
}

}  // namespace withy::bench
