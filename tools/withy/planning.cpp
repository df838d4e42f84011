// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/planning.h"

#include <cstdio>
#include <stdexcept>

#include <fmt/core.h>

#include "geometry/centreline/centreline.h"
#include "planner/plan/plan.h"
#include "planner/script/plan_check.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "planner/search/ask/certify.h"
#include "planner/show/page.h"

namespace withy {

namespace {

std::string left_out(const std::string& files, ScriptFault fault) {
  return fmt::format("not written: {}: {}", files, sentence_of(fault));
}

}  // namespace

ExitStatus status_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::reached:
      return ExitStatus::done;
    case Verdict::unreachable:
      return ExitStatus::unreachable;
    case Verdict::undecided:
      return ExitStatus::undecided;
  }
  return ExitStatus::our_fault;
}

Result<Asked> ask(const PreparedScene& prepared, int locks, const AskOptions& options, Progress& progress) {
  auto problem = make_problem(prepared, locks, options.clearance_mm);
  if (!problem) return tl::unexpected(problem.error());
  SolveSettings settings;
  settings.effort = Effort::of_seconds(options.budget_s);
  settings.seed = options.seed;
  settings.planner = options.planner;
  std::optional<recheck::Certificate> certificate;
  if (options.certify) settings.certificate = &certificate;
  settings.progress = [&](const std::string& what) {
    progress.stage(options.heading + what, options.budget_s);
  };
  settings.with_locks = [&](int other_locks) -> std::optional<SearchProblem> {
    auto other = make_problem(prepared, other_locks, options.clearance_mm);
    return other ? std::optional(std::move(*other)) : std::nullopt;
  };
  settings.target_way = [&](const Eigen::Vector3d& point_E) {
    return way_to_target(compute_centreline(prepared.wall()), point_E);
  };
  settings.remedies = options.remedies;
  settings.with_channel = in_larger_channel;
  Answer answer = solve(*problem, settings);
  std::optional<tl::expected<Script, ScriptFault>> script;
  if (answer.plan) script = make_script(prepared.scene, problem->design, *answer.plan);
  return Asked{std::move(*problem), std::move(answer), std::move(certificate), std::move(script),
               std::nullopt};
}

std::string plan_text(const PreparedScene& prepared, const Asked& asked, const std::string& scene_file) {
  std::optional<double> seconds;
  if (asked.script && *asked.script && prepared.scene.actuation)
    seconds = duration_s(*prepared.scene.actuation, **asked.script);
  PlanRecord record{
      prepared.scene, asked.problem.design, asked.answer, scene_file, asked.problem.required_clearance_mm,
      seconds};
  if (asked.rechecked)
    record.rechecked = PlanRecheck{std::string(name_of(asked.rechecked->verdict)), asked.rechecked->sentence};
  return write_plan(record);
}

Result<std::optional<Rechecked>> recheck_answer(const PreparedScene& prepared, const Asked& asked,
                                                const std::string& scene_file, Progress& progress) {
  std::string text;
  if (asked.answer.plan) {
    text = plan_text(prepared, asked, scene_file);
  } else if (asked.certificate) {
    recheck::Certificate certificate = *asked.certificate;
    name_scene(certificate, prepared.scene, prepared.wall().channel(), scene_file);
    text = recheck::write_certificate(certificate);
  } else {
    return std::optional<Rechecked>();
  }
  auto rechecked = recheck_text(text, "the answer", prepared.scene, prepared.wall(),
                                {.clearance_mm = asked.problem.required_clearance_mm}, progress);
  if (!rechecked) return tl::unexpected(rechecked.error());
  return std::optional(std::move(*rechecked));
}

void require_sound(const PreparedScene& prepared, const Asked& asked) {
  if (!asked.answer.plan) return;
  const MotionVerifier verifier(asked.problem.design, *asked.problem.distance);
  const auto fault =
      made_plan_defect(*asked.answer.plan, {prepared.scene, verifier, asked.problem.required_clearance_mm});
  if (fault) throw std::logic_error("the plan does not hold: " + fault->problem);
}

std::optional<std::string> add_scripts(FileBatch& batch, const std::filesystem::path& folder,
                                       const Scene& scene, const Asked& asked) {
  if (!asked.script) return std::nullopt;
  const auto& script = *asked.script;
  if (!script) return left_out("script.csv and script.ngc", script.error());
  batch.add(folder / "script.csv", write_csv(*script));
  if (!scene.actuation) return left_out("script.ngc", ScriptFault::no_actuation);
  batch.add(folder / "script.ngc", write_iso6983(*script, scene, {.stops = true}));
  return std::nullopt;
}

std::optional<std::string> page_text(const PreparedScene& prepared, const std::vector<Asked>& asked,
                                     const std::vector<std::string>& plan_texts) {
  if (const auto missing = page_missing()) {
    say_aside(fmt::format("no page was written: {}", *missing));
    return std::nullopt;
  }
  const DisplayMesh display = make_display_mesh(prepared.wall().channel());
  PageInput input{prepared.scene, prepared.wall(), display, {}};
  for (std::size_t i = 0; i < asked.size(); ++i)
    input.plans.push_back({plan_texts[i], asked[i].problem.design, asked[i].answer.plan});
  return page_html(input);
}

}  // namespace withy
