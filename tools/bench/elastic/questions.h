// SPDX-License-Identifier: GPL-3.0-or-later
// The shipped scenes' questions, planned.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"

namespace withy::bench {

struct ElasticQuestions {
  std::vector<std::string> scenes;  ///< names of folders of scenes/; empty: all
  std::vector<int> locks = {0, 1, 2, 3};
  double budget_s = 600.0;
  bool handed_out = false;  ///< plans as `withy plan` hands them out
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

/// How a question is asked: for a plan of the greatest clearance, or as `withy plan` asks.
SolveSettings asked_settings(const ElasticQuestions& questions, const PlannedQuestion& question);

/// The plan that the search gives for its clearance, the elastic body left out; or, where asked for, the one
/// that `withy plan` hands out: standing most, the elastic body heeded. Nothing without one.
std::optional<Plan> asked_plan(const ElasticQuestions& questions, const PlannedQuestion& question);

}  // namespace withy::bench
