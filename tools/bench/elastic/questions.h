// SPDX-License-Identifier: GPL-3.0-or-later
// The shipped scenes' questions, planned.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/ask/scene_problem.h"

namespace withy::bench {

struct ElasticQuestions {
  std::vector<std::string> scenes;  ///< names of folders of scenes/; empty: all
  std::vector<int> locks = {0, 1, 2, 3};
  double budget_s = 600.0;
};

/// One question of a scene with [elastic].
struct PlannedQuestion {
  std::string scene;
  const PreparedScene& prepared;
  const SearchProblem& problem;
};

/// Calls `judge` for every question, in the order of names and lock counts; questions that can't be asked
/// (no such layout) are passed over. False, with a line on standard error, where a scene can't be read.
bool for_each_question(const ElasticQuestions& questions,
                       const std::function<void(const PlannedQuestion&)>& judge);

/// The plan that the search gives, the elastic body left out; nothing without one.
std::optional<Plan> ideal_plan(const SearchProblem& problem, double budget_s);

}  // namespace withy::bench
