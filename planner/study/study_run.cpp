// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/study_run.h"

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/effort/shares.h"
#include "planner/plan/plan.h"
#include "planner/script/script.h"
#include "planner/search/ask/solve.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

/// Any double as a whole number of units of work.
std::int64_t work_of(double budget_work_s) {
  constexpr double kMost = 9e18;
  return static_cast<std::int64_t>(std::min(budget_work_s * shares::kWorkPerSecond, kMost));
}

void refuse_run(Json& result, const InputError& error) {
  result["verdict"] = kRefused;
  // Without the place: a path would depend on where the study was started.
  result["why"] = error.problem + ", " + error.remedy;
}

void add_figures(const Json& plan, Json& result) {
  const auto take = [&](const char* part, const auto& keys) {
    const Json& from = plan.is_object() && plan[part].is_object() ? plan[part] : Json::object();
    for (const std::string_view key : keys) result[std::string(key)] = from.value(std::string(key), Json());
  };
  take("summary", kPlanFigures);
  take("proof", kSearchFigures);
}

Answer answer_to(const SearchProblem& problem, const PreparedScene& prepared, const Study& study,
                 const StudyRun& run) {
  SolveSettings settings;
  settings.effort = Effort::of_work(work_of(study.budget_work_s));
  settings.seed = static_cast<std::uint64_t>(run.seed);
  settings.prefer = Preference::bench;
  settings.errors = usual_errors(prepared.scene);
  settings.with_locks = [&](int locks) -> std::optional<SearchProblem> {
    auto other = make_problem(prepared, locks);
    return other ? std::optional(std::move(*other)) : std::nullopt;
  };
  return solve(problem, settings);
}

/// The plan file's content, as far as results draw on it.
Json plan_json(const PreparedScene& prepared, const SearchProblem& problem, const Answer& answer) {
  return Json::parse(write_plan({prepared.scene, problem.design, answer, "", std::nullopt,
                                 plan_duration_s(prepared.scene, problem.design, answer.plan)}));
}

/// The run's row, up to its verdict.
Json row_of(const Study& study, const StudyRun& run) {
  Json row;
  row["run"] = run.index + 1;
  row["scene"] = study.scenes[run.scene];
  row["design"] = study.designs[run.design];
  row["locks"] = run.locks;
  row["seed"] = run.seed;
  return row;
}

/// The rest of it.
std::string finished(Json row, const StudyScene& scene, const Json& plan) {
  add_figures(plan, row);
  row["scattered"] = Json::object();
  for (const auto& [key, value] : scene.scattered) row["scattered"][key] = value;
  return row.dump();
}

}  // namespace

std::string refused_result(const Study& study, const StudyRun& run, const StudyScene& scene) {
  Json row = row_of(study, run);
  refuse_run(row, *scene.refused);
  return finished(std::move(row), scene, Json());
}

std::string study_result(const Study& study, const StudyRun& run, const StudyScene& scene,
                         const std::shared_ptr<const ChannelDistance>& distance) {
  Json row = row_of(study, run);
  const PreparedScene prepared{scene.scene, distance};
  const auto misplaced = placing_fault(scene.scene, prepared.wall());
  const auto problem = make_problem(prepared, run.locks);
  Json plan;
  if (misplaced) {
    refuse_run(row, *misplaced);
  } else if (!problem) {
    refuse_run(row, problem.error());
  } else {
    const Answer answer = answer_to(*problem, prepared, study, run);
    row["verdict"] = name_of(answer.verdict);
    row["why"] = answer.why;
    plan = plan_json(prepared, *problem, answer);
  }
  return finished(std::move(row), scene, plan);
}

}  // namespace withy
