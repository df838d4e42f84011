// SPDX-License-Identifier: GPL-3.0-or-later
// `withy tolerance`: how much backlash, calibration and registration error a plan stands.
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <variant>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
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
  double budget_s = kInfinity;
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
  std::string elastic;                     ///< what the draws of elastic benches said; empty without any
  std::optional<CutShort> cut_short = {};  ///< the budget ended what follows from it
};

/// What would help has what is left of a budget that was given, or else its own few seconds, as it has where
/// benches that give come after it.
Effort effort_of_advice(const ToleranceOptions& options, const Effort& effort) {
  if (std::isfinite(options.budget_s) && options.elastic_benches == 0) return effort;
  return Effort::of_seconds(shares::kAdviceSeconds).until_stop([effort] { return effort.cut_short(); });
}

/// Refused, or cut short before there was a report.
using NotJudged = std::variant<Refused, CutShort>;

/// What follows from a report.
void judge_more(const ToleranceOptions& options, const SearchProblem& problem, const Plan& plan,
                const ErrorSizes& sizes, MonteCarloSettings draws, Progress& progress, Judged& judged) {
  const Effort& effort = draws.effort;
  const bool elastic = options.elastic_benches > 0;
  progress.stage("looking for what would help");
  judged.advice = find_advice(problem, plan, sizes, effort_of_advice(options, effort));
  if (effort.cut_short())
    judged.cut_short =
        CutShort{"the report", elastic ? "what would help; the benches that give" : "what would help"};
  if (!elastic || effort.cut_short()) return;
  progress.stage("trying benches that give");
  draws.draws = options.elastic_benches;
  const ElasticDraws drawn = draw_elastic(problem, plan, sizes, {}, draws);
  judged.elastic = elastic_draws_text(drawn);
  if (drawn.draws < drawn.asked)
    judged.cut_short = CutShort{
        fmt::format("the report; {} of {} benches that give", drawn.draws, drawn.asked), "the others"};
}

tl::expected<Judged, NotJudged> judge(const ToleranceOptions& options, Progress& progress) {
  const auto refused = [](InputError error) { return tl::unexpected(NotJudged(Refused{std::move(error)})); };
  const auto given = options.errors.empty() ? Result<ErrorSizes>(ErrorSizes()) : read_errors(options.errors);
  if (!given) return refused(given.error());
  // The scene that is named must be the one that the plan was made for.
  auto read = read_sound_plan(options.plan, options.scene);
  if (!read) return tl::unexpected(NotJudged(read.error()));
  if (!read->plan) return refused(read->file.without_target());
  if (options.elastic_benches > 0)
    if (const auto fault = not_for_elastic(*read)) return refused(*fault);
  const ErrorSizes sizes = options.errors.empty() ? usual_errors(read->prepared.scene) : *given;
  const auto problem = make_problem(read->prepared, read->file.locks);
  if (!problem) return refused(problem.error());
  progress.stage("trying benches");
  MonteCarloSettings draws = options.draws;
  draws.progress = [&](double done) { progress.fraction(done); };
  draws.effort = Effort::of_seconds(options.budget_s);
  auto report = make_tolerance_report(*problem, *read->plan, sizes, draws);
  if (!report) return tl::unexpected(NotJudged(std::move(report.error())));
  report->plan_file = named_from(options.plan, options.folder);
  report->scene_file = named_from(options.scene, options.folder);
  report->scene_sha256 = read->prepared.scene.sha256;
  report->usual_sizes = options.errors.empty();
  Judged judged{std::move(*report), {}, {}};
  judge_more(options, *problem, *read->plan, sizes, draws, progress, judged);
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
  if (!judged) {
    const auto* cut = std::get_if<CutShort>(&judged.error());
    return cut != nullptr ? say_cut_short(options.budget_s, *cut) : say(std::get<Refused>(judged.error()));
  }
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
  return judged->cut_short ? say_cut_short(options.budget_s, *judged->cut_short) : ExitStatus::done;
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
  add_budget_option(
      app, options->budget_s,
      "everything after plan and channel are read (without it the look for what would help has three)");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_tolerance(*options); });
}

}  // namespace withy
