// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/reach_search.h"

#include <algorithm>
#include <numeric>
#include <optional>

#include "planner/effort/shares.h"
#include "planner/search/ask/certify.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/stand/improve.h"

namespace withy {

namespace {

/// Indices, nearest to the entry first.
std::vector<std::size_t> nearest_first(const std::vector<Eigen::Vector3d>& points_E) {
  std::vector<std::size_t> order(points_E.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return points_E[a].squaredNorm() < points_E[b].squaredNorm();
  });
  return order;
}

class ReachSearch {
 public:
  ReachSearch(const SearchProblem& problem, const std::vector<Eigen::Vector3d>& targets_E,
              const ReachSettings& settings)
      : problem_(problem),
        goal_(problem.goal),
        targets_E_(targets_E),
        settings_(settings),
        search_(problem, search_settings()),
        stood_(problem) {
    if (settings_.errors) stander_.emplace(stood_, *settings_.errors, shares::kReachDraws);
  }

  ReachResult run() {
    result_.verdict.assign(targets_E_.size(), Verdict::undecided);
    if (settings_.errors) result_.stood.assign(targets_E_.size(), false);
    std::vector<std::size_t> open = nearest_first(targets_E_);
    std::int64_t spent = 0;
    const auto each = static_cast<double>(settings_.effort.work());
    progress_.targets = targets_E_.size();
    progress_.most_left = static_cast<double>(open.size()) * each;
    settings_.progress(progress_);
    for (const std::int64_t share : shares::kReachRounds) {
      const std::int64_t allowed = settings_.effort.work() / share;
      std::erase_if(open, [&](std::size_t target) {
        const bool decided = decide(target, allowed - spent);
        progress_.most_left -= (decided ? each : static_cast<double>(allowed)) - static_cast<double>(spent);
        progress_.work = static_cast<double>(search_.work());
        settings_.progress(progress_);
        return decided;
      });
      spent = allowed;
    }
    result_.work = search_.work();
    if (settings_.certify) certify();
    return std::move(result_);
  }

 private:
  /// What the search reaches for a target that stays open is no part of a proof.
  void certify() {
    if (std::find(result_.verdict.begin(), result_.verdict.end(), Verdict::unreachable) ==
        result_.verdict.end())
      return;
    result_.certificate = certify_targets(problem_, search_);
  }

  RouteSearchSettings search_settings() const {
    RouteSearchSettings settings;
    settings.effort = settings_.effort;
    settings.direct_work = 0;  // what earlier targets left is a better start than none
    settings.spans = true;
    settings.span_work = 0;
    settings.twin_work = std::max<std::int64_t>(1, settings_.effort.work() / shares::kReachRounds[0]);
    return settings;
  }

  /// A target is reached only by what would make a plan; what search found otherwise leaves it undecided.
  void accept(std::size_t target) {
    if (refusal_of(search_.judge(), search_.route(), goal_, search_.steps_known())) {
      ++result_.routes_refused;
      return;
    }
    result_.verdict[target] = Verdict::reached;
    ++progress_.reached;
    settings_.reached(target, search_.route());
    if (settings_.errors) result_.stood[target] = stands();
    search_.keep_route();
  }

  /// Does a plan of the route that was found stand the errors, its last state aimed at the target?
  bool stands() {
    stood_.goal = goal_;
    const StepJudge judge(stood_, search_.judge().hardware());
    auto plan = make_plan(judge, tidy(judge, search_.route(), settings_.effort));
    if (!plan) return false;
    const int enough = static_cast<int>(std::ceil(kReachChance * shares::kReachDraws));
    return stands_when_aimed(judge, *stander_, std::move(*plan), shares::kReachDraws, enough);
  }

  /// Goes on with one target for so much work; true when it is decided.
  bool decide(std::size_t target, std::int64_t work) {
    if (settings_.effort.cut_short()) return false;
    goal_.point_E = targets_E_[target];
    switch (search_.run(goal_, work)) {
      case SearchOutcome::found:
        accept(target);
        break;
      case SearchOutcome::proved_none:
        result_.verdict[target] = Verdict::unreachable;
        ++progress_.unreachable;
        search_.bury();
        break;
      case SearchOutcome::stopped:
        return false;
    }
    return true;
  }

  const SearchProblem& problem_;
  Goal goal_;
  const std::vector<Eigen::Vector3d>& targets_E_;
  const ReachSettings& settings_;
  RouteSearch search_;
  SearchProblem stood_;             // whose goal is the target that benches are asked about
  std::optional<Stander> stander_;  // of it: benches and motions are the same for many targets
  ReachResult result_;
  ReachProgress progress_;
};

}  // namespace

ReachResult search_reach(const SearchProblem& problem, const std::vector<Eigen::Vector3d>& targets_E,
                         const ReachSettings& settings) {
  return ReachSearch(problem, targets_E, settings).run();
}

}  // namespace withy
