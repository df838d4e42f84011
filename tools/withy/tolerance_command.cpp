// SPDX-License-Identifier: GPL-3.0-or-later
// `withy tolerance`: how much backlash, calibration and registration error a plan stands.
#include <cstdio>
#include <filesystem>
#include <memory>

#include <fmt/core.h>

#include "planner/effort/shares.h"
#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/heed/elastic_draws.h"
#include "planner/stand/advice.h"
#include "planner/tolerance/tolerance_report.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"
#include "tools/withy/sound_plan.h"

namespace withy {
namespace {

struct ToleranceOptions {
  std::filesystem::path plan;
  std::filesystem::path scene;
  std::filesystem::path errors;
  MonteCarloSettings draws;
  std::filesystem::path folder;
  int elastic_benches = 0;
  bool quiet = false;
};

/// The files of an answer.
std::set<std::string> tolerance_names() {
  return {"tolerance.json", "tolerance.csv"};
}

/// The report and what follows from it.
struct Judged {
  ToleranceReport report;
  AdviceList advice;
  std::string elastic;  ///< what the draws of elastic benches said; empty where none were asked for
};

tl::expected<Judged, Refused> judge(const ToleranceOptions& options, Progress& progress) {
  const auto refused = [](InputError error) { return tl::unexpected(Refused{std::move(error)}); };
  const auto given = options.errors.empty() ? Result<ErrorSizes>(ErrorSizes()) : read_errors(options.errors);
  if (!given) return refused(given.error());
  // The scene that is named must be the one that the plan was made for.
  auto read = read_sound_plan(options.plan, options.scene);
  if (!read) return tl::unexpected(read.error());
  if (!read->plan) return refused(read->file.without_target());
  const bool elastic = options.elastic_benches > 0;
  if (elastic)
    if (const auto fault = not_for_elastic(*read)) return refused(*fault);
  const ErrorSizes sizes = options.errors.empty() ? usual_errors(read->prepared.scene) : *given;
  const auto problem = make_problem(read->prepared, read->file.locks);
  if (!problem) return refused(problem.error());
  progress.stage("trying benches");
  MonteCarloSettings draws = options.draws;
  draws.progress = [&](double done) { progress.fraction(done); };
  ToleranceReport report = make_tolerance_report(*problem, *read->plan, sizes, draws);
  report.plan_file = named_from(options.plan, options.folder);
  report.scene_file = named_from(options.scene, options.folder);
  report.scene_sha256 = read->prepared.scene.sha256;
  report.usual_sizes = options.errors.empty();
  progress.stage("looking for what would help");
  Judged judged{std::move(report),
                find_advice(*problem, *read->plan, sizes, Effort::of_seconds(shares::kAdviceSeconds)),
                {}};
  if (!elastic) return judged;
  progress.stage("trying benches that give");
  draws.draws = options.elastic_benches;
  judged.elastic = elastic_draws_text(draw_elastic(*problem, *read->plan, sizes, {}, draws));
  return judged;
}

ExitStatus run_tolerance(const ToleranceOptions& options) {
  if (const auto place = check_output_folder(options.folder, tolerance_names(),
                                             {options.plan, options.scene, options.errors});
      !place)
    return refuse(place.error());
  Progress progress(options.quiet);
  progress.stage("reading plan and channel");
  const auto judged = judge(options, progress);
  if (!judged) return say(judged.error());
  const ToleranceReport* report = &judged->report;
  FileBatch batch;
  if (!options.folder.empty()) {
    batch.owns(options.folder, tolerance_names());
    batch.add(options.folder / "tolerance.json", tolerance_json(*report));
    batch.add(options.folder / "tolerance.csv", tolerance_csv(*report));
  }
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}{}{}", tolerance_table(*report), advice_text(judged->advice), judged->elastic);
  return ExitStatus::done;
}

}  // namespace

void add_tolerance_command(CommandLine& line) {
  auto options = std::make_shared<ToleranceOptions>();
  CLI::App& app =
      line.add("tolerance",
               "How much backlash, tendon calibration, entry, registration and lumen error a plan stands: "
               "a proved worst case, and many benches drawn.",
               "withy tolerance out/plan.json scenes/single-bend/scene.toml -o out");
  add_option(app, "PLAN", options->plan, "plan file (JSON) that reaches its target").required();
  add_option(app, "SCENE", options->scene, "the scene it was made for, unchanged since").required();
  add_option(app, "--errors", options->errors,
             "file (TOML) that says how large each error may be; left out: the scene's backlash and "
             "common practice");
  add_option(app, "--samples", options->draws.draws, "how many benches are drawn; default 1000")
      .within(2, 10000000);
  add_option(
      app, "--elastic", options->elastic_benches,
      "how many benches whose segment gives are drawn beside, with errors of stiffness, mass and friction "
      "too; default 0; the scene needs [elastic]")
      .within(0, 100000);
  add_option(app, "--seed", options->draws.seed, "seed of the draws; default 1").whole();
  add_option(app, "-o,--output", options->folder,
             "folder for tolerance.json and tolerance.csv; left out: nothing is written");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_tolerance(*options); });
}

}  // namespace withy
