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

}  // namespace

std::string study_result(const Study& study, const StudyRun& run, const StudyScene& scene,
                         const std::shared_ptr<const ChannelDistance>& distance) {
  Json result;
  result["run"] = run.index + 1;
  result["scene"] = study.scenes[run.scene];
  result["design"] = study.designs[run.design];
  result["locks"] = run.locks;
  result["seed"] = run.seed;
  const PreparedScene prepared{scene.scene, distance};
  const auto misplaced = placing_fault(scene.scene, prepared.wall());
  const auto problem = make_problem(prepared, run.locks);
  Json plan;
  if (misplaced) {
    refuse_run(result, *misplaced);
  } else if (!problem) {
    refuse_run(result, problem.error());
  } else {
    const Answer answer = answer_to(*problem, prepared, study, run);
    result["verdict"] = name_of(answer.verdict);
    result["why"] = answer.why;
    plan = plan_json(prepared, *problem, answer);
  }
  add_figures(plan, result);
  result["scattered"] = Json::object();
  for (const auto& [key, value] : scene.scattered) result["scattered"][key] = value;
  return result.dump();
}

}  // namespace withy
