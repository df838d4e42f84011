// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/planning.h"

#include <algorithm>
#include <cstdio>
#include <stdexcept>

#include <fmt/core.h>

#include "geometry/centreline/centreline.h"
#include "planner/effort/shares.h"
#include "planner/heed/heed_elasticity.h"
#include "planner/plan/plan.h"
#include "planner/plan/state_file.h"
#include "planner/script/plan_check.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "planner/search/ask/certify.h"
#include "planner/search/elsewhere/stuck_locks.h"
#include "planner/show/page.h"
#include "planner/stand/hunt_advice.h"

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
  settings.prefer = options.prefer;
  settings.errors = usual_errors(prepared.scene);
  if (options.from) {
    problem->start = *options.from;
    settings.explain = false;
  }
  std::optional<recheck::Certificate> certificate;
  std::string no_certificate;
  if (options.certify) settings.certificate = &certificate;
  settings.no_certificate = &no_certificate;
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
  Answer answer = options.heed_elasticity ? solve_heeding_elasticity(*problem, settings, options.ideal_pulls)
                                          : solve(*problem, settings);
  if (options.stuck_locks && answer.plan)
    answer.plan->stuck_locks = find_ways_past_stuck_locks(*problem, *answer.plan, settings.effort);
  if (options.remedies && answer.plan)
    if (const auto hunt = find_smaller_hunt(*problem, *answer.plan, *settings.errors, settings.effort))
      answer.remedies.push_back(hunt->sentence());
  std::optional<tl::expected<Script, ScriptFault>> script;
  const bool compensated = answer.elastic && answer.elastic->compensates_scripts(options.ideal_pulls);
  if (answer.plan)
    script = make_script(prepared.scene, problem->design, *answer.plan,
                         compensated ? answer.elastic->corrections : PullCorrections{});
  return Asked{std::move(*problem), std::move(answer), std::move(certificate),
               std::move(script),   std::nullopt,      std::move(no_certificate)};
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

std::string why_no_certificate(const Asked& asked) {
  if (!asked.no_certificate.empty()) return asked.no_certificate;
  if (!asked.answer.plan) return "nothing was proved";
  const auto& actions = asked.answer.plan->actions;
  const bool switches =
      std::any_of(actions.begin(), actions.end(), [](const PlannedAction& a) { return a.lock >= 0; });
  return switches ? "that fewer lock switches than the plan's do not reach is not proved"
                  : "the plan switches no lock, so no plan has fewer switches";
}

Result<std::optional<Rechecked>> recheck_certificate(const PreparedScene& prepared, const Asked& asked,
                                                     const std::string& scene_file, Progress& progress) {
  if (!asked.certificate) return std::optional<Rechecked>();
  recheck::Certificate certificate = *asked.certificate;
  name_scene(certificate, prepared.scene, prepared.wall().channel(), scene_file);
  auto rechecked =
      recheck_text(recheck::write_certificate(certificate), "the answer", prepared.scene, prepared.wall(),
                   {.clearance_mm = asked.problem.required_clearance_mm}, progress);
  if (!rechecked) return tl::unexpected(rechecked.error());
  return std::optional(std::move(*rechecked));
}

Result<std::optional<Rechecked>> recheck_answer(const PreparedScene& prepared, const Asked& asked,
                                                const std::string& scene_file, Progress& progress) {
  if (!asked.answer.plan) return recheck_certificate(prepared, asked, scene_file, progress);
  auto rechecked =
      recheck_text(plan_text(prepared, asked, scene_file), "the answer", prepared.scene, prepared.wall(),
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

Plan way_past(const StuckLock& stuck) {
  Plan way;
  way.states = stuck.states;
  way.actions = stuck.actions;
  way.from_elsewhere = true;
  return way;
}

std::string recovery_name(const StuckLock& stuck) {
  return fmt::format("recover-{}", stuck.action + 1);
}

std::string stuck_locks_text(const Plan& plan) {
  std::string out;
  for (const StuckLock& stuck : plan.stuck_locks) {
    out += fmt::format("if lock {} does not {} at action {}: ", stuck.lock + 1,
                       stuck.engaged ? "let go" : "engage", stuck.action + 1);
    if (stuck.out)
      out += "yes, a verified way leads out\n";
    else if (!stuck.looked_to_end)
      out += fmt::format("{} (so far a verified way leads to an insertion of {:.1f} mm)\n", stuck.blocked_by,
                         stuck.ends_at_mm);
    else
      out += fmt::format("the verified way ends at an insertion of {:.1f} mm: {}\n", stuck.ends_at_mm,
                         stuck.blocked_by);
  }
  return out;
}

void add_recoveries(FileBatch& batch, const std::filesystem::path& folder, const Scene& scene,
                    const Asked& asked) {
  if (!asked.answer.plan) return;
  for (const StuckLock& stuck : asked.answer.plan->stuck_locks) {
    if (!stuck.out || stuck.action >= shares::kRecoveries) continue;
    const auto script = make_script(scene, asked.problem.design, way_past(stuck));
    if (!script) return;  // add_scripts says why
    const std::string name = recovery_name(stuck);
    batch.add(folder / (name + ".csv"), write_csv(*script));
    if (scene.actuation) batch.add(folder / (name + ".ngc"), write_iso6983(*script, scene, {.stops = true}));
    batch.add(folder / (name + ".json"), write_state(asked.problem.design, stuck.states.front()));
  }
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
