// SPDX-License-Identifier: GPL-3.0-or-later
// `withy plan`: does this lock count reach the target, and by which plan.
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/files/file_names.h"
#include "planner/files/shown.h"
#include "planner/heed/heed_elasticity.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ompl/ompl_planners.h"
#include "planner/show/picture.h"
#include "tools/withy/begin_elsewhere.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/plan_figures.h"
#include "tools/withy/planning.h"

namespace withy {
namespace {

struct PlanOptions {
  std::filesystem::path scene;
  std::optional<int> locks;
  std::optional<double> clearance_mm;
  double budget_s = shares::kPlanSeconds;
  std::uint64_t seed = 1;
  std::string planner;
  std::string prefer = "bench";
  std::string distance = "field";
  std::filesystem::path folder;
  std::filesystem::path proof;
  std::filesystem::path picture;
  std::filesystem::path from;
  bool out = false;
  bool recheck = false;
  bool ideal_pulls = false;
  bool quiet = false;
};

/// The files of an answer.
std::set<std::string> plan_names() {
  std::set<std::string> names = {"plan.json", "script.csv", "script.ngc", "page.html"};
  for (int action = 1; action <= shares::kRecoveries; ++action)
    for (const char* ending : {"csv", "ngc", "json"})
      names.insert(fmt::format("recover-{}.{}", action, ending));
  return names;
}

bool known_planner(const std::string& name) {
  const auto& names = stock_planner_names();
  return std::find(names.begin(), names.end(), name) != names.end();
}

/// Everything that goes into the folder, whole or not at all. Returns what add_scripts says was left out.
std::optional<std::string> add_plan_files(FileBatch& batch, const PlanOptions& options,
                                          const PreparedScene& prepared, const Asked& asked) {
  const std::string text = plan_text(prepared, asked, named_from(options.scene, options.folder));
  batch.owns(options.folder, plan_names());
  batch.add(options.folder / "plan.json", text);
  auto left_out = add_scripts(batch, options.folder, prepared.scene, asked);
  add_recoveries(batch, options.folder, prepared.scene, asked);
  if (auto page = page_text(prepared, {asked}, {text}))
    batch.add(options.folder / "page.html", std::move(*page));
  return left_out;
}

/// The certificate, packed where the file's name ends in .gz.
void add_proof(FileBatch& batch, const PlanOptions& options, const PreparedScene& prepared,
               const Asked& asked) {
  if (!asked.certificate) {
    std::error_code ignored;
    const bool there = std::filesystem::exists(options.proof, ignored);
    say_aside("no proof was written: " + why_no_certificate(asked) +
              (there ? fmt::format("; {} is from before, and no part of this answer", options.proof.string())
                     : std::string()));
    return;
  }
  recheck::Certificate certificate = *asked.certificate;
  name_scene(certificate, prepared.scene, prepared.wall().channel(),
             named_beside(options.scene, options.proof));
  batch.add(options.proof, certificate_bytes(certificate, options.proof));
}

/// The proof's and the picture's places, none of which is one of `inputs` or a file of the answer.
std::optional<ExitStatus> single_files_refused(const PlanOptions& options,
                                               std::vector<std::filesystem::path> inputs) {
  if (!options.folder.empty()) {
    inputs.push_back(options.folder);
    for (const std::string& name : plan_names()) inputs.push_back(options.folder / name);
  }
  for (const auto& file : {options.proof, options.picture}) {
    if (file.empty()) continue;
    if (const auto place = check_output_file(file, inputs); !place) return refuse(place.error());
    inputs.push_back(file);  // no other file is written over it either
  }
  return std::nullopt;
}

/// What can be told wrong of the arguments before any work is done.
std::optional<ExitStatus> plan_refused_at_once(const PlanOptions& options) {
  if (!options.planner.empty() && !known_planner(options.planner))
    return refuse_arguments("plan", fmt::format("--planner: there is no planner {}; give one of {}",
                                                options.planner, fmt::join(stock_planner_names(), ", ")));
  if (options.from.empty() && options.out)
    return refuse_arguments("plan", "--out: name the state to come out from with --from");
  if (!options.from.empty() && (!options.planner.empty() || !options.proof.empty()))
    return refuse_arguments("plan", "--from: neither --planner nor --proof goes with it");
  if (options.out && (!options.picture.empty() || options.recheck))
    return refuse_arguments("plan", "--out: neither --picture nor --recheck goes with it");
  if (const auto place = check_output_folder(options.folder, plan_names(), {options.scene, options.from});
      !place)
    return refuse(place.error());
  return single_files_refused(options, {options.scene, options.from});
}

Preference preference(const std::string& word) {
  if (word == "quick") return Preference::quick;
  return word == "clearance" ? Preference::clearance : Preference::bench;
}

/// What was asked, and the answer's place in `asked`; or what to leave with.
std::optional<ExitStatus> answer_into(std::optional<Asked>& asked, const PlanOptions& options,
                                      const PreparedScene& prepared, Progress& progress) {
  const int locks = options.locks.value_or(prepared.scene.layout_in_use);
  AskOptions how{options.clearance_mm, options.budget_s,     options.seed,
                 options.planner,      options.from.empty(), !options.proof.empty() || options.recheck};
  how.stuck_locks = true;
  how.ideal_pulls = options.ideal_pulls;
  how.heed_elasticity = options.from.empty();
  how.prefer = preference(options.prefer);
  if (!options.from.empty()) {
    const auto problem = make_problem(prepared, locks, options.clearance_mm);
    if (!problem) return refuse(problem.error());
    if (options.out)
      return plan_out(prepared, *problem, {options.scene, options.from, options.folder, options.budget_s},
                      progress);
    if (!problem->vias.empty())
      return refuse(prepared.scene.error_at(
          "via", "which places are still to be passed from another state than the start can't be told",
          "leave [[via]] out for --from"));
    const auto from = read_start(options.from, *problem);
    if (!from) return refuse(from.error());
    how.from = *from;
  }
  auto found = ask(prepared, locks, how, progress);
  if (!found) return refuse(found.error());
  asked = std::move(*found);
  return std::nullopt;
}

/// Whose pulls the scripts carry, where there are two kinds.
std::string pulls_line(const Asked& asked) {
  if (!asked.answer.elastic || !asked.script || !*asked.script) return {};
  return fmt::format("the scripts carry {} pulls\n",
                     (**asked.script).compensated ? "compensated" : "the ideal segment's");
}

/// Of a question without a plan: how deep the tip gets, and the nearest verified state.
void say_where_it_stops(const Scene& scene, const Answer& answer) {
  if (answer.plan) return;
  if (answer.depth)
    fmt::print("depth: {}\n", answer.depth->sentence(scene.entry.X_SE * answer.depth->place_E));
  if (answer.open) fmt::print("open: {}\n", answer.open->sentence(scene.entry.X_SE));
  for (const std::string& way : answer.would_decide) fmt::print("might decide it: {}\n", way);
  if (!answer.approach) return;
  const Eigen::Vector3d tip_S = scene.entry.X_SE * answer.approach->state.tip_E.translation();
  fmt::print("nearest found: {:.2f} mm from {}, the tip at {}: {}\n", answer.approach->distance_mm,
             answer.approach->from, spoken_point(tip_S), answer.approach->blocked_by);
}

ExitStatus run_plan(const PlanOptions& options) {
  if (const auto refused = plan_refused_at_once(options)) return *refused;
  const auto format = options.picture.empty() ? std::nullopt : picture_format(options.picture);
  if (!options.picture.empty() && !format)
    return refuse_arguments("plan", "--picture: the file must end in .svg or .png");
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(
      options.scene, options.distance == "exact" ? DistanceSource::exact : DistanceSource::field);
  if (!prepared) return refuse(prepared.error());
  if (const auto refused = single_files_refused(options, {prepared->scene.mesh_file})) return *refused;
  std::optional<Asked> asked;
  if (const auto ended = answer_into(asked, options, *prepared, progress)) return *ended;
  require_sound(*prepared, *asked);
  if (options.recheck) {
    auto rechecked = recheck_answer(*prepared, *asked, options.scene.string(), progress);
    if (!rechecked) return refuse(rechecked.error());
    asked->rechecked = std::move(*rechecked);
  }
  std::optional<Rechecked> fewer;
  if (options.recheck && !options.proof.empty() && asked->answer.plan) {
    auto rechecked = recheck_certificate(*prepared, *asked, options.scene.string(), progress);
    if (!rechecked) return refuse(rechecked.error());
    fewer = std::move(*rechecked);
  }
  progress.stage("writing");
  FileBatch batch;
  std::optional<std::string> no_script;
  if (!options.folder.empty()) no_script = add_plan_files(batch, options, *prepared, *asked);
  if (!options.proof.empty()) add_proof(batch, options, *prepared, *asked);
  if (format)
    batch.add(options.picture, draw_picture({prepared->scene, prepared->wall().channel(),
                                             asked->problem.design, asked->answer},
                                            *format));
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}: {}\n", name_of(asked->answer.verdict), asked->answer.why);
  if (const auto& plan = asked->answer.plan)
    fmt::print("{}{}{}", standing_lines(*plan), limits_table(asked->problem.design, figures_of(*plan)),
               stuck_locks_text(*plan));
  if (const auto& elastic = asked->answer.elastic) fmt::print("{}", engagement_lines(*elastic));
  say_where_it_stops(prepared->scene, asked->answer);
  for (const std::string& remedy : asked->answer.remedies) fmt::print("would do: {}\n", remedy);
  for (const std::string& left_out : asked->answer.not_checked) fmt::print("not checked: {}\n", left_out);
  if (!options.folder.empty()) fmt::print("{}", pulls_line(*asked));
  if (no_script) fmt::print("{}\n", *no_script);
  if (!asked->rechecked) {
    if (options.recheck) fmt::print("nothing to recheck: {}\n", why_no_certificate(*asked));
    return status_of(asked->answer.verdict);
  }
  fmt::print("recheck {}\n", asked->rechecked->sentence);
  const ExitStatus status = worse(status_of(asked->answer.verdict), asked->rechecked->status);
  if (!fewer) return status;
  fmt::print("recheck of the proof that fewer lock switches do not reach {}\n", fewer->sentence);
  return worse(status, fewer->status);
}

}  // namespace

void add_plan_command(CommandLine& line) {
  auto options = std::make_shared<PlanOptions>();
  CLI::App& app = line.add("plan",
                           "Does this lock count reach the target? A verified plan in and out, a proof that "
                           "there is none, or how far it got.",
                           "withy plan scenes/single-bend/scene.toml --locks 1 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks,
             "how many locks the segment has; left out: the scene's layout.use")
      .within(0, kMaxLocks);
  add_option(app, "--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      .in_range_of("--clearance");
  add_option(
      app, "--budget", options->budget_s,
      "seconds for the whole question after the channel is read; then the search gives up undecided, and the "
      "searches for a better plan or for a reason are cut short; default 60")
      .in_range_of("--budget");
  add_option(app, "--seed", options->seed, "seed of stock planners' random choices; default 1").whole();
  add_option(app, "--planner", options->planner,
             "a stock planner to search instead of withy's own complete search");
  add_option(app, "--distance", options->distance,
             "field (default) or exact (slow, for comparison): where distances come from")
      .one_of({"field", "exact"});
  add_option(app, "-o,--output", options->folder,
             "folder for plan.json, script.csv, script.ngc and page.html; left out: nothing is written");
  add_option(
      app, "--proof", options->proof,
      "file for a certificate of what is proved (unreachable, or fewer switches don't reach), JSON lines, "
      "packed where its name ends in .gz; withy recheck checks it");
  add_flag(app, "--ideal-pulls", options->ideal_pulls,
           "scripts with the ideal segment's pulls, also where there are compensated ones");
  add_flag(
      app, "--recheck", options->recheck,
      "check what is answered at once, as withy recheck does: the plan, the proof, or with --proof both");
  add_option(
      app, "--prefer", options->prefer,
      "what the plan is to have most of, after it reaches: bench (default; the least chance to fail on a "
      "bench), clearance, or quick (the first plan will do)")
      .one_of({"bench", "clearance", "quick"});
  add_option(app, "--from", options->from,
             "state file (JSON) to begin in, any that keeps every limit: a state as plan.json has it with "
             "format withy-state and version 1 beside; left out: straight, drawn back, released");
  add_flag(app, "--out", options->out,
           "with --from: only the way back out; -o then gets script.csv, script.ngc and start.json");
  add_option(app, "--picture", options->picture, "file for a picture of the plan, .svg or .png");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_plan(*options); });
}

}  // namespace withy
