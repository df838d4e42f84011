// SPDX-License-Identifier: GPL-3.0-or-later
// One question, one answer: does this design reach this target, by which plan, or why not.
#pragma once

#include <functional>
#include <iosfwd>
#include <string>

#include "planner/search/answer.h"
#include "planner/search/problem.h"

namespace withy {

struct SolveSettings {
  double budget_seconds = 60.0;
  std::uint64_t seed = 1;
  std::string planner;  ///< empty: the complete search; else the name of a stock planner (stock_planners.h)
  bool widen = true;    ///< after a first plan, look for one with more clearance
  std::ostream* proof = nullptr;  ///< gets the reached cells when the verdict is not `reached`
  std::function<bool()> interrupted = [] { return false; };
  std::function<void(const std::string&)> progress = [](const std::string&) {};
};

/// Names of what a problem checks and of what it can't, for lack of a section: "clearance", "latch",
/// "tendons", "field".
void list_checked(const SearchProblem& problem, std::vector<std::string>& checked,
                  std::vector<std::string>& not_checked);

Answer solve(const SearchProblem& problem, const SolveSettings& settings);

}  // namespace withy
