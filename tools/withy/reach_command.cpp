// SPDX-License-Identifier: GPL-3.0-or-later
// `withy reach`: which of many targets each lock count reaches.
#include <chrono>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <fmt/core.h>

#include "planner/files/file_output.h"
#include "planner/files/word_reader.h"
#include "planner/files/words.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/lumen_lattice.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/search/ask/target_table.h"
#include "planner/show/reach_report.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"
#include "tools/withy/rechecking.h"

namespace withy {
namespace {

// Few enough faces for a small file: only the wall's shadow is drawn.
constexpr std::size_t kShadowTriangles = 3000;
constexpr std::string_view kLattice = "lumen:";

struct Options {
  std::filesystem::path scene;
  std::string targets;
  std::vector<int> locks;
  std::optional<double> tolerance_mm;
  std::optional<double> clearance_mm;
  std::int64_t work = shares::kReachWork;
  double budget_s = std::numeric_limits<double>::infinity();
  std::filesystem::path folder;
  std::filesystem::path proof;
  bool recheck = false;
  bool quiet = false;
};

/// The spacing in "lumen:SPACING"; nothing when it is none.
std::optional<double> lattice_spacing(const std::string& targets) {
  const auto spacing = number<double>(std::string_view(targets).substr(kLattice.size()));
  return spacing && *spacing > 0.0 ? spacing : std::nullopt;
}

Result<ReachCount> count_reached(const PreparedScene& prepared, int locks, const ReachReport& report,
                                 const Options& options, Progress& progress) {
  auto problem = make_problem(prepared, locks, report.required_clearance_mm);
  if (!problem) return tl::unexpected<InputError>(problem.error());
  problem->goal.tolerance_mm = report.tolerance_mm;
  problem->goal.direction_E.reset();  // it belongs to the scene's own target
  ReachCount count;
  count.locks = locks;
  list_checked(*problem, count.checked, count.not_checked);
  progress.stage("searching with " + count_of(static_cast<std::size_t>(locks), "lock"));
  ReachSettings settings;
  settings.certify = options.recheck || !options.proof.empty();
  settings.effort = Effort::of_seconds(options.budget_s).renewed(options.work);
  settings.progress = [&](double done) { progress.fraction(done); };
  const auto since = std::chrono::steady_clock::now();
  count.result = search_reach(std::move(*problem), report.targets_E, settings);
  count.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count();
  return count;
}

/// Says in each certificate which targets it is about.
void name_certificates(const PreparedScene& prepared, ReachReport& report, const Options& options) {
  for (ReachCount& count : report.counts) {
    if (!count.result.certificate) continue;
    std::vector<Eigen::Vector3d> unreachable_S;
    for (std::size_t i = 0; i < report.targets_S.size(); ++i)
      if (count.result.verdict[i] == Verdict::unreachable) unreachable_S.push_back(report.targets_S[i]);
    name_scene(*count.result.certificate, prepared.scene, prepared.wall().channel(), options.scene.string());
    name_targets(*count.result.certificate, unreachable_S, report.tolerance_mm);
  }
}

/// The proof of each count, one line each. (Every target reached has a verified way; a plan of it is what to
/// check.)
ExitStatus recheck_all(const PreparedScene& prepared, const ReachReport& report, Progress& progress) {
  ExitStatus status = ExitStatus::done;
  for (const ReachCount& count : report.counts) {
    if (!count.result.certificate) continue;
    const auto rechecked = recheck_text(recheck::write_certificate(*count.result.certificate), "the proof",
                                        prepared.scene, prepared.wall(), progress);
    if (!rechecked) return refuse(rechecked.error());
    fmt::print("recheck, {}: {}\n", count_of(static_cast<std::size_t>(count.locks), "lock"),
               rechecked->sentence);
    status = worse(status, rechecked->status);
  }
  return status;
}

ExitStatus run(const Options& options) {
  std::optional<double> spacing;
  if (options.targets.starts_with(kLattice)) {
    spacing = lattice_spacing(options.targets);
    if (!spacing)
      return refuse_arguments("reach",
                              "--targets lumen:SPACING: the spacing must be a positive number of mm");
  }
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) return refuse(prepared.error());
  const Scene& scene = prepared->scene;
  ReachReport report{scene,
                     options.scene.string(),
                     spacing,
                     options.tolerance_mm.value_or(scene.target.tolerance_mm),
                     options.clearance_mm.value_or(scene.required_clearance_mm),
                     {},
                     {},
                     {}};
  if (spacing) {
    progress.stage("laying out targets");
    report.targets_E = lumen_lattice(prepared->wall(), scene.parts.segment, scene.parts.carriage,
                                     report.required_clearance_mm, *spacing);
    if (report.targets_E.empty())
      return refuse_arguments("reach",
                              "--targets: no point of this lattice lies in the lumen, or it has too many");
    for (const Eigen::Vector3d& p : report.targets_E) report.targets_S.push_back(scene.entry.X_SE * p);
  } else {
    auto targets = read_targets(options.targets);
    if (!targets) return refuse(targets.error());
    report.targets_S = std::move(*targets);
    for (const Eigen::Vector3d& p : report.targets_S)
      report.targets_E.push_back(scene.entry.X_SE.inverse() * p);
  }
  for (const int locks : options.locks.empty() ? std::vector<int>{scene.layout_in_use} : options.locks) {
    auto count = count_reached(*prepared, locks, report, options, progress);
    if (!count) return refuse(count.error());
    report.counts.push_back(std::move(*count));
  }
  progress.stage("writing");
  name_certificates(*prepared, report, options);
  FileBatch batch;
  if (!options.proof.empty())
    for (const ReachCount& count : report.counts)
      if (count.result.certificate) {
        const auto file = file_for_count(options.proof, count.locks, report.counts.size() > 1);
        batch.add(file, certificate_bytes(*count.result.certificate, file));
      }
  if (!options.folder.empty()) {
    batch.add(options.folder / "reach.csv", reach_csv(report));
    batch.add(options.folder / "reach.json", reach_json(report));
    batch.add(options.folder / "reach.html",
              reach_html(report, make_display_mesh(prepared->wall().channel(), kShadowTriangles)));
  }
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}", reach_table(report));
  for (const std::string& left_out : report.counts.back().not_checked)
    fmt::print("not checked: {}\n", left_out);
  return options.recheck ? recheck_all(*prepared, report, progress) : ExitStatus::done;
}

}  // namespace

void add_reach_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app =
      line.add("reach",
               "Which of many targets each lock count reaches, by one search for each count: reached, "
               "proved unreachable, or undecided.",
               "withy reach scenes/single-bend/scene.toml --targets lumen:4 --locks 0 1 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--targets", options->targets,
             "CSV file with the header x_mm,y_mm,z_mm (scene frame), or lumen:SPACING for points SPACING "
             "mm apart "
             "all over the lumen")
      .required();
  add_option(app, "--locks", options->locks, "lock counts; left out: the scene's layout.use")
      .within(0, kMaxLocks);
  add_option(app, "--tolerance", options->tolerance_mm,
             "how near the tip must come, in mm; left out: the scene's target.tolerance_mm")
      .positive();
  add_option(app, "--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      .non_negative();
  add_option(
      app, "--work", options->work,
      "most work for one target, about in microseconds of a fast machine, before it is left undecided; "
      "default 4000000. The same work gives the same answers on any machine")
      .positive();
  add_option(app, "--budget", options->budget_s,
             "seconds for each lock count after the channel is read; targets that are open then are left "
             "undecided; left out: no clock")
      .positive();
  add_option(app, "-o,--output", options->folder,
             "folder for reach.csv, reach.json and reach.html; left out: nothing is written");
  add_option(
      app, "--proof", options->proof,
      "file for one certificate of all targets proved unreachable, for each lock count (with several, the "
      "count stands before the file's ending); packed where it ends in .gz");
  add_flag(app, "--recheck", options->recheck, "check each certificate at once, as withy recheck does");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run(*options); });
}

}  // namespace withy
