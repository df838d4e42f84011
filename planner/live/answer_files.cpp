// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/answer_files.h"

#include <algorithm>
#include <chrono>
#include <utility>

#include <fmt/core.h>

#include "planner/files/file_names.h"
#include "planner/plan/plan.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "planner/show/motion_samples.h"
#include "planner/show/page.h"
#include "planner/show/picture.h"

namespace withy {
namespace {

/// Of a long plan; enough that one odd action among them does not count.
constexpr std::size_t kActionsTried = 8;

/// The scripts, as far as scene and answer allow; what was left out.
std::vector<std::string> add_scripts_of(FileBatch& batch, const std::filesystem::path& folder,
                                        const Scene& scene, const SearchProblem& problem,
                                        const Answer& answer) {
  if (!answer.plan) return {"no scripts: there is no plan"};
  const auto script = make_script(scene, problem.design, *answer.plan);
  if (!script) return {fmt::format("no scripts: {}", sentence_of(script.error()))};
  batch.add(folder / "script.csv", write_csv(*script));
  if (!scene.actuation) return {fmt::format("no script.ngc: {}", sentence_of(ScriptFault::no_actuation))};
  batch.add(folder / "script.ngc", write_iso6983(*script, scene, {.stops = true}));
  return {};
}

}  // namespace

std::set<std::string> answer_file_names() {
  return {"plan.json", "script.csv", "script.ngc", "page.html", "plan.svg"};
}

std::string answer_text(const LiveScene& scene, const SearchProblem& problem, const Answer& answer,
                        const std::string& scene_file) {
  return write_plan({scene.prepared.scene, problem.design, answer, scene_file, problem.required_clearance_mm,
                     plan_duration_s(scene.prepared.scene, problem.design, answer.plan)});
}

double seconds_to_save(const LiveScene& live, const SearchProblem& problem, const Plan& plan) {
  const std::size_t count = plan.actions.size();
  const std::size_t tried = std::min(count, kActionsTried);
  Plan part;
  for (std::size_t k = 0; k < tried; ++k) {
    PlannedAction action = plan.actions[k * count / tried];
    for (int* end : {&action.from, &action.to}) {
      part.states.push_back(plan.states[static_cast<std::size_t>(*end)]);
      *end = static_cast<int>(part.states.size()) - 1;
    }
    part.actions.push_back(std::move(action));
  }
  const auto began = std::chrono::steady_clock::now();
  const auto samples = sample_motions(live.prepared.scene, problem.design, part, live.prepared.wall());
  const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  return samples.empty() ? 0.0 : took_s * static_cast<double>(count) / static_cast<double>(samples.size());
}

std::vector<std::string> add_answer(FileBatch& batch, const std::filesystem::path& folder,
                                    const LiveScene& live, const DisplayMesh& display,
                                    const SearchProblem& problem, const Answer& answer) {
  const Scene& scene = live.prepared.scene;
  batch.owns(folder, answer_file_names());
  const std::string text = answer_text(live, problem, answer, named_from(scene.file, folder));
  batch.add(folder / "plan.json", text);
  std::vector<std::string> left_out = add_scripts_of(batch, folder, scene, problem, answer);
  batch.add(folder / "plan.svg", draw_picture({scene, live.prepared.wall().channel(), problem.design, answer},
                                              PictureFormat::svg));
  if (const auto missing = page_missing())
    left_out.push_back("no page: " + *missing);
  else
    batch.add(folder / "page.html",
              page_html({scene, live.prepared.wall(), display, {{text, problem.design, answer.plan}}}));
  return left_out;
}

}  // namespace withy
