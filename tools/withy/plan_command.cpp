// SPDX-License-Identifier: GPL-3.0-or-later
// `withy plan`: does this lock count reach the target, and by which plan.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <sstream>
#include <string>

#include <fmt/format.h>

#include "planner/report/file_output.h"
#include "planner/report/plan.h"
#include "planner/report/script.h"
#include "planner/report/script_csv.h"
#include "planner/report/script_iso6983.h"
#include "planner/search/ompl_planners.h"
#include "planner/search/scene_problem.h"
#include "planner/search/solve.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct Options {
  std::filesystem::path scene;
  std::optional<int> locks;
  std::optional<double> clearance_mm;
  double budget_s = 60.0;
  std::uint64_t seed = 1;
  std::string planner;
  std::string distance = "field";
  std::filesystem::path folder;
  std::filesystem::path proof;
  bool quiet = false;
};

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

/// Everything that goes into the folder, whole or not at all.
void add_files(FileBatch& batch, const Options& options, const Scene& scene, const SearchProblem& problem,
               const Answer& answer) {
  const MotionVerifier verifier(problem.design, *problem.distance);
  const PlanRecord record{scene, problem.design, answer, options.scene.string(),
                          [&](const State& state) { return verifier.clearance(state).lower_mm; }};
  batch.add(options.folder / "plan.json", write_plan(record));
  if (!answer.plan) return;
  const auto script = make_script(scene, problem.design, *answer.plan);
  if (!script) return;
  batch.add(options.folder / "script.csv", write_csv(*script));
  if (scene.actuation)
    batch.add(options.folder / "script.ngc", write_iso6983(*script, scene, {.stops = true}));
}

ExitStatus run(const Options& options) {
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(
      options.scene, options.distance == "exact" ? DistanceSource::exact : DistanceSource::field);
  if (!prepared) return refuse(prepared.error());
  const auto problem =
      make_problem(*prepared, options.locks.value_or(prepared->scene.layout_in_use), options.clearance_mm);
  if (!problem) return refuse(problem.error());

  SolveSettings settings;
  settings.budget_seconds = options.budget_s;
  settings.seed = options.seed;
  settings.planner = options.planner;
  settings.progress = [&](const std::string& what) { progress.stage(what, options.budget_s); };
  settings.with_locks = [&](int locks) -> std::optional<SearchProblem> {
    auto other = make_problem(*prepared, locks, options.clearance_mm);
    return other ? std::optional(std::move(*other)) : std::nullopt;
  };
  std::ostringstream proof;
  if (!options.proof.empty()) settings.proof = &proof;
  const Answer answer = solve(*problem, settings);

  FileBatch batch;
  if (!options.folder.empty()) add_files(batch, options, prepared->scene, *problem, answer);
  if (!options.proof.empty()) batch.add(options.proof, proof.str());
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}: {}\n", name_of(answer.verdict), answer.why);
  for (const std::string& left_out : answer.not_checked) fmt::print("not checked: {}\n", left_out);
  return status_of(answer.verdict);
}

}  // namespace

void add_plan_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app = line.add("plan",
                           "Does this lock count reach the target? A verified plan in and out, a proof that "
                           "there is none, or how far it got.",
                           "withy plan scenes/single-bend/scene.toml --locks 1 -o out");
  app.add_option("SCENE", options->scene, "scene file (TOML)")->required();
  app.add_option("--locks", options->locks,
                 "how many locks the segment has; left out: the scene's layout.use")
      ->check(CLI::Range(0, kMaxLocks));
  app.add_option("--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      ->check(CLI::NonNegativeNumber);
  app.add_option("--budget", options->budget_s,
                 "seconds after which the search gives up undecided; default 60")
      ->check(CLI::PositiveNumber);
  app.add_option("--seed", options->seed, "seed of stock planners' random choices; default 1");
  app.add_option("--planner", options->planner,
                 "a stock planner to search instead of withy's own complete search");
  app.add_option("--distance", options->distance,
                 "field (default) or exact (slow, for comparison): where distances come from")
      ->check(CLI::IsMember({"field", "exact"}));
  app.add_option("-o,--output", options->folder,
                 "folder for plan.json, script.csv, script.ngc and page.html; left out: nothing is written");
  app.add_option(
      "--proof", options->proof,
      "file for the cells that the search reached, as JSON lines; for a verdict other than reached");
  app.add_flag("--quiet", options->quiet, "no progress on standard error");
  line.run(app, [options] { return run(*options); });
}

}  // namespace withy
