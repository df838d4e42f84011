// SPDX-License-Identifier: GPL-3.0-or-later
// `withy reach`: which of many targets each lock count reaches.
#include <chrono>
#include <filesystem>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/files/ranges.h"
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

struct ReachOptions {
  std::filesystem::path scene;
  std::string targets;
  std::vector<int> locks;
  std::optional<double> tolerance_mm;
  std::optional<double> clearance_mm;
  std::int64_t work = shares::kReachWork;
  double budget_s = kInfinity;
  std::filesystem::path folder;
  std::filesystem::path proof;
  bool recheck = false;
  bool quiet = false;
};

/// The spacing in "lumen:SPACING"; nothing when it is none.
std::optional<double> lattice_spacing(const std::string& targets) {
  const auto spacing = number<double>(std::string_view(targets).substr(kLattice.size()));
  return spacing && !range_fault("--spacing", *spacing) ? spacing : std::nullopt;
}

/// What is decided so far, and how long the rest may take at the pace until now.
std::string spoken(const ReachProgress& so_far, double elapsed_s) {
  std::string text =
      fmt::format("{} of {} targets decided, {} reached, {} unreachable", so_far.targets - so_far.open(),
                  so_far.targets, so_far.reached, so_far.unreachable);
  if (so_far.work > 0.0 && so_far.open() > 0)
    text += fmt::format(", the rest takes {:.0f} s at most", elapsed_s * so_far.most_left / so_far.work);
  return text;
}

Result<ReachCount> count_reached(const PreparedScene& prepared, int locks, const ReachReport& report,
                                 const ReachOptions& options, const InterruptRequest& interrupt,
                                 Progress& progress, bool& cut_short) {
  auto problem = make_problem(prepared, locks, report.required_clearance_mm);
  if (!problem) return tl::unexpected<InputError>(problem.error());
  problem->goal.tolerance_mm = report.tolerance_mm;
  problem->goal.direction_E.reset();  // it belongs to the scene's own target
  ReachCount count;
  count.locks = locks;
  list_checked(*problem, count.checked, count.not_checked);
  // Work is counted in about the microseconds of a fast machine.
  progress.stage(
      fmt::format("{} with {}, at most about {:.0f} s of work", count_of(report.targets_E.size(), "target"),
                  count_of(static_cast<std::size_t>(locks), "lock"),
                  1e-6 * static_cast<double>(options.work) * static_cast<double>(report.targets_E.size())));
  ReachSettings settings;
  settings.certify = options.recheck || !options.proof.empty();
  settings.errors = usual_errors(prepared.scene);
  settings.effort = Effort::of_seconds(options.budget_s).renewed(options.work).until_interrupted([&] {
    return interrupt.requested();
  });
  const auto since = std::chrono::steady_clock::now();
  const auto elapsed_s = [since] {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count();
  };
  settings.progress = [&](const ReachProgress& so_far) {
    progress.note(spoken(so_far, elapsed_s()));
    progress.fraction(so_far.share());
  };
  count.result = search_reach(*problem, report.targets_E, settings);
  cut_short = cut_short || settings.effort.cut_short();
  count.seconds = elapsed_s();
  return count;
}

/// Says in each certificate which targets it is about.
void name_certificates(const PreparedScene& prepared, ReachReport& report, const ReachOptions& options) {
  for (ReachCount& count : report.counts) {
    if (!count.result.certificate) continue;
    std::vector<Eigen::Vector3d> unreachable_S;
    for (std::size_t i = 0; i < report.targets_S.size(); ++i)
      if (count.result.verdict[i] == Verdict::unreachable) unreachable_S.push_back(report.targets_S[i]);
    name_scene(*count.result.certificate, prepared.scene, prepared.wall().channel(),
               named_beside(options.scene, options.proof));
    name_targets(*count.result.certificate, unreachable_S, report.tolerance_mm);
  }
}

/// The proof of each count, one line each. (Every target reached has a verified way; a plan of it is what to
/// check.)
ExitStatus recheck_all(const PreparedScene& prepared, const ReachReport& report, Progress& progress) {
  ExitStatus status = ExitStatus::done;
  for (const ReachCount& count : report.counts) {
    if (!count.result.certificate) continue;
    const auto rechecked =
        recheck_text(recheck::write_certificate(*count.result.certificate), "the proof", prepared.scene,
                     prepared.wall(), {.clearance_mm = report.required_clearance_mm}, progress);
    if (!rechecked) return refuse(rechecked.error());
    fmt::print("recheck, {}: {}\n", count_of(static_cast<std::size_t>(count.locks), "lock"),
               rechecked->sentence);
    status = worse(status, rechecked->status);
  }
  return status;
}

void add_reach_proofs(FileBatch& batch, const ReachOptions& options, const ReachReport& report) {
  if (options.proof.empty()) return;
  for (const ReachCount& count : report.counts) {
    if (!count.result.certificate) continue;
    const auto file = file_for_count(options.proof, count.locks, report.counts.size() > 1);
    batch.add(file, certificate_bytes(*count.result.certificate, file));
  }
}

/// The targets that are asked about. Errors are said.
std::optional<ExitStatus> add_targets(const ReachOptions& options, const PreparedScene& prepared,
                                      ReachReport& report) {
  const Eigen::Isometry3d& X_SE = prepared.scene.entry.X_SE;
  if (report.spacing_mm) {
    report.targets_E =
        lumen_lattice(prepared.wall(), prepared.scene.parts.segment, prepared.scene.parts.carriage,
                      report.required_clearance_mm, *report.spacing_mm);
    if (report.targets_E.empty())
      return refuse_arguments(
          "reach",
          fmt::format("--targets {}: no point of this lattice lies in the lumen, or more than {} do, "
                      "give another spacing",
                      options.targets, kMostLatticePoints));
    for (const Eigen::Vector3d& p : report.targets_E) report.targets_S.push_back(X_SE * p);
    return std::nullopt;
  }
  auto targets = read_targets(options.targets);
  if (!targets) return refuse(targets.error());
  report.targets_S = std::move(*targets);
  for (const Eigen::Vector3d& p : report.targets_S) report.targets_E.push_back(X_SE.inverse() * p);
  return std::nullopt;
}

/// The files that an answer may have, or a part of one.
std::set<std::string> reach_names(bool partial) {
  std::set<std::string> names;
  for (const char* ending : {".csv", ".json", ".html"}) {
    names.insert("reach.partial" + std::string(ending));
    if (!partial) names.insert("reach" + std::string(ending));
  }
  return names;
}

/// Adds reach.csv, reach.json and reach.html.
void add_reports(FileBatch& batch, const ReachOptions& options, const PreparedScene& prepared,
                 const ReachReport& report) {
  if (options.folder.empty() || report.counts.empty()) return;
  // A part of an answer has names of its own, and leaves a whole one where it is.
  const std::string stem = report.partial ? "reach.partial" : "reach";
  batch.owns(options.folder, reach_names(report.partial));
  batch.add(options.folder / (stem + ".csv"), reach_csv(report));
  batch.add(options.folder / (stem + ".json"), reach_json(report));
  batch.add(options.folder / (stem + ".html"),
            reach_html(report, make_display_mesh(prepared.wall().channel(), kShadowTriangles)));
}

Result<void> write_reach_files(const ReachOptions& options, const PreparedScene& prepared,
                               const ReachReport& report, const InterruptRequest& interrupt) {
  FileBatch batch;
  add_reports(batch, options, prepared, report);
  // What was proved until an interrupt leaves an earlier proof of more where it is.
  if (!interrupt.requested()) add_reach_proofs(batch, options, report);
  const WritingFiles writing;
  return batch.commit();
}

/// The proofs' places, none of which is one of `inputs` or a file of the answer.
std::optional<ExitStatus> proof_refused(const ReachOptions& options,
                                        std::vector<std::filesystem::path> inputs) {
  if (options.proof.empty()) return std::nullopt;
  if (!options.folder.empty())
    for (const std::string& name : reach_names(false)) inputs.push_back(options.folder / name);
  std::set<std::filesystem::path> places = {options.proof};
  if (options.locks.size() > 1)
    for (const int locks : options.locks) places.insert(file_for_count(options.proof, locks, true));
  for (const auto& file : places)
    if (const auto place = check_output_file(file, inputs); !place) return refuse(place.error());
  return std::nullopt;
}

/// What the arguments alone say is wrong; else the lattice's spacing, where one is asked for.
tl::expected<std::optional<double>, ExitStatus> check_arguments(const ReachOptions& options) {
  const std::vector<std::filesystem::path> inputs = {options.scene, options.targets};
  if (const auto place = check_output_folder(options.folder, reach_names(false), inputs); !place)
    return tl::unexpected(refuse(place.error()));
  if (const auto refused = proof_refused(options, inputs)) return tl::unexpected(*refused);
  if (std::set<int>(options.locks.begin(), options.locks.end()).size() != options.locks.size())
    return tl::unexpected(refuse_arguments("reach", "--locks: give each lock count once"));
  if (!options.targets.starts_with(kLattice)) return std::nullopt;
  const std::optional<double> spacing = lattice_spacing(options.targets);
  if (!spacing)
    return tl::unexpected(refuse_arguments(
        "reach", "--targets lumen:SPACING: the spacing must be " + quantity("--spacing")->words()));
  return spacing;
}

ExitStatus run_reach(const ReachOptions& options) {
  const auto spacing = check_arguments(options);
  if (!spacing) return spacing.error();
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) return refuse(prepared.error());
  const Scene& scene = prepared->scene;
  if (const auto refused = proof_refused(options, {scene.mesh_file})) return *refused;
  ReachReport report{scene,
                     named_from(options.scene, options.folder),
                     *spacing,
                     options.tolerance_mm.value_or(scene.target.tolerance_mm),
                     options.clearance_mm.value_or(scene.required_clearance_mm),
                     {},
                     {},
                     {}};
  progress.stage("laying out targets");
  if (const auto refused = add_targets(options, *prepared, report)) return *refused;
  const InterruptRequest interrupt;
  for (const int locks : options.locks.empty() ? std::vector<int>{scene.layout_in_use} : options.locks) {
    if (interrupt.requested()) break;
    auto count = count_reached(*prepared, locks, report, options, interrupt, progress, report.partial);
    if (!count) return refuse(count.error());
    report.counts.push_back(std::move(*count));
  }
  interrupt.settle();
  progress.stage("writing");
  name_certificates(*prepared, report, options);
  if (const auto written = write_reach_files(options, *prepared, report, interrupt); !written)
    return refuse(written.error());
  if (interrupt.requested()) return ExitStatus::interrupted;
  fmt::print("{}", reach_table(report));
  for (const std::string& left_out : report.counts.back().not_checked)
    fmt::print("not checked: {}\n", left_out);
  const ExitStatus status = report.partial ? ExitStatus::undecided : ExitStatus::done;
  return options.recheck ? worse(status, recheck_all(*prepared, report, progress)) : status;
}

}  // namespace

void add_reach_command(CommandLine& line) {
  auto options = std::make_shared<ReachOptions>();
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
      .in_range_of("--tolerance");
  add_option(app, "--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      .in_range_of("--clearance");
  add_option(
      app, "--work", options->work,
      "most work for one target, about in microseconds of a fast machine, before it is left undecided; "
      "default 4000000. The same work gives the same answers on any machine")
      .within(1, kMostWork);
  add_option(app, "--budget", options->budget_s,
             "seconds for each lock count after the channel is read; targets that are open then are left "
             "undecided; left out: no clock")
      .in_range_of("--budget");
  add_option(app, "-o,--output", options->folder,
             "folder for reach.csv, reach.json and reach.html, or, interrupted, the same named reach.partial "
             "with what is decided; left out: nothing is written");
  add_option(
      app, "--proof", options->proof,
      "file for one certificate of all targets proved unreachable, for each lock count (with several, the "
      "count stands before the file's ending); packed where it ends in .gz; interrupted: not written");
  add_flag(app, "--recheck", options->recheck, "check each certificate at once, as withy recheck does");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_reach(*options); });
}

}  // namespace withy
