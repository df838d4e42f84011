// SPDX-License-Identifier: GPL-3.0-or-later
// One question, one answer: does this design reach this target, by which plan, or why not.
#pragma once

#include <functional>
#include <limits>
#include <optional>
#include <string>

#include "planner/plan/answer.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/search/problem.h"

namespace withy {

struct SolveSettings {
  double budget_seconds = 60.0;
  /// The complete search gives up after so much work too (RouteSearch::work); what follows it (looks for
  /// wider plans, each, and for reasons, all together) gets no more. With an infinite budget_seconds the
  /// answer then depends neither on the machine's load nor on its speed.
  std::int64_t most_work = std::numeric_limits<std::int64_t>::max();
  std::uint64_t seed = 1;
  std::string planner;  ///< empty: the complete search; else the name of a stock planner (stock_planners.h)
  bool widen = true;    ///< after a first plan, look for one with more clearance
  /// Gets a certificate of what was proved: the target unreachable, or not reached with fewer switches than the
  /// plan's. Stays empty where neither was.
  std::optional<recheck::Certificate>* certificate = nullptr;
  bool explain = true;            ///< after a proof, look for what stands in the way
  std::function<bool()> interrupted = [] { return false; };
  /// The same question with another number of locks, for saying whether one more would help; nothing where
  /// there is none.
  std::function<std::optional<SearchProblem>(int locks)> with_locks;
  std::function<void(const std::string&)> progress = [](const std::string&) {};
};

/// Names of what a problem checks and of what it can't, for lack of a section: "clearance", "latch",
/// "tendons", "field".
void list_checked(const SearchProblem& problem, std::vector<std::string>& checked,
                  std::vector<std::string>& not_checked);

Answer solve(const SearchProblem& problem, const SolveSettings& settings);

}  // namespace withy
