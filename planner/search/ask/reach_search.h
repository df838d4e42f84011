// SPDX-License-Identifier: GPL-3.0-or-later
// Which of many targets does one design reach?
//
// One search answers for all of them (RouteSearch). Cells, what is proved of them and the links
// between leaves don't depend on the target, and every action can be undone, so what can be reached from the
// start is one set. From below it grows by the verified routes found so far: a target is reached as soon as
// one motion or lock switch after the other, each verified as a plan's are (make_plan.h), leads to it from a
// state on one of them. From above it shrinks by every proof: where all cells that reach a target have been
// found, and the start is not among them, none of their states can be reached, and they are left out from
// then on.
//
// Each target gets so much work (RouteSearch::work) and no more; what it gets counts machine-independently,
// so the same question always gets the same answers. Targets nearest to the entry come first, and all get a
// little before any gets much: what the easy ones find helps the others.
//
// Units: mm. Frame: E.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <vector>

#include <Eigen/Core>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/plan/answer.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/search/problem.h"
#include "planner/search/route/route.h"
#include "planner/tolerance/errors.h"

namespace withy {

/// How far a search for many targets is.
struct ReachProgress {
  std::size_t targets = 0;
  std::size_t reached = 0;
  std::size_t unreachable = 0;
  double work = 0.0;       ///< done
  double most_left = 0.0;  ///< that the open targets may still take

  std::size_t open() const { return targets - reached - unreachable; }
  /// Of the work that may be done in all. Never falls, for what a decided target leaves is not done.
  double share() const { return most_left > 0.0 ? work / (work + most_left) : 1.0; }
};

struct ReachSettings {
  /// Its work is for one target, in all; its clock ends the whole search. What is open then stays undecided.
  Effort effort = Effort::of_work(shares::kReachWork);
  bool certify = false;
  /// How large a bench's errors may be: of every target reached it is then said whether a plan stands them.
  std::optional<ErrorSizes> errors = std::nullopt;
  /// Told whenever a target was looked at.
  std::function<void(const ReachProgress&)> progress = [](const ReachProgress&) {};
  /// Told of every target reached, with a verified route from the start.
  std::function<void(std::size_t target, const Route&)> reached = [](std::size_t, const Route&) {};
};

/// Reached counts as stood where the plan to the target, aimed, fails on fewer benches than this share of
/// shares::kReachDraws.
inline constexpr double kReachChance = 0.05;

struct ReachResult {
  std::vector<Verdict> verdict;  ///< one for each target
  /// One for each target, where errors are given: a plan to it has a chance to fail under kReachChance.
  std::vector<bool> stood;
  std::int64_t work = 0;   ///< of the whole search
  int routes_refused = 0;  ///< targets left undecided since the route found to them did not stand
  /// Of all that were proved unreachable together; nothing where none was, or it was not asked for. Scene and
  /// targets are not named yet (certify.h).
  std::optional<recheck::Certificate> certificate;
};

/// `problem`'s goal gives the tolerance; its point is replaced by each target in turn, a wanted direction
/// counts for all.
ReachResult search_reach(const SearchProblem& problem, const std::vector<Eigen::Vector3d>& targets_E,
                         const ReachSettings& settings);

}  // namespace withy
