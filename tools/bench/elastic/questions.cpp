// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/elastic/questions.h"

#include <algorithm>
#include <cstdio>
#include <filesystem>

#include <fmt/core.h>

#include "planner/heed/heed_elasticity.h"

namespace withy::bench {
namespace {

std::vector<std::string> scene_names(const ElasticQuestions& questions) {
  if (!questions.scenes.empty()) return questions.scenes;
  std::vector<std::string> names;
  for (const auto& entry : std::filesystem::directory_iterator(WITHY_SOURCE_DIR "/scenes"))
    if (std::filesystem::exists(entry.path() / "scene.toml")) names.push_back(entry.path().filename());
  std::sort(names.begin(), names.end());
  return names;
}

}  // namespace

bool for_each_question(const ElasticQuestions& questions,
                       const std::function<void(const PlannedQuestion&)>& judge) {
  for (const std::string& name : scene_names(questions)) {
    const auto prepared =
        prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR "/scenes") / name / "scene.toml");
    if (!prepared) {
      fmt::print(stderr, "{}\n", prepared.error().message());
      return false;
    }
    if (!prepared->scene.parts.elastic || !prepared->scene.parts.tendons) continue;
    for (const int locks : questions.locks) {
      const auto problem = make_problem(*prepared, locks);
      if (problem) judge({name, *prepared, *problem});
    }
  }
  return true;
}

SolveSettings asked_settings(const ElasticQuestions& questions, const PlannedQuestion& question) {
  SolveSettings settings;
  settings.effort = Effort::of_seconds(questions.budget_s);
  settings.explain = false;
  if (!questions.handed_out) return settings;
  settings.prefer = Preference::bench;
  settings.errors = usual_errors(question.prepared.scene);
  return settings;
}

std::optional<Plan> asked_plan(const ElasticQuestions& questions, const PlannedQuestion& question) {
  const SolveSettings settings = asked_settings(questions, question);
  return questions.handed_out ? solve_heeding_elasticity(question.problem, settings).plan
                              : solve(question.problem, settings).plan;
}

}  // namespace withy::bench
