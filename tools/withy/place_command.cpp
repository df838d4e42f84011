// SPDX-License-Identifier: GPL-3.0-or-later
// `withy place`: the stations and clockings that reach the target with the widest clearance.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <filesystem>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/files/words.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/show/place_report.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/planning.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

// More layouts than this take days: a coarser step is what is wanted.
constexpr double kMostLayouts = 1e6;
// A grid of about so many stations is taken when no step is given.
constexpr double kStationsAlong = 20.0;
constexpr std::size_t kMostKept = 100;

struct PlaceOptions {
  std::filesystem::path scene;
  int locks = 1;
  std::optional<double> step_mm;
  int clock_step_deg = 45;
  std::optional<double> clearance_mm;
  double budget_s = shares::kPlaceSeconds;
  std::int64_t work = shares::kPlaceWork;
  PlaceSettings how;
  std::filesystem::path folder;
  std::filesystem::path proofs;
  bool quiet = false;
};

/// Proofs of layouts that don't reach, as files will hold them.
class LayoutProofs {
 public:
  LayoutProofs(const PreparedScene& prepared, std::string scene_file)
      : prepared_(prepared), scene_file_(std::move(scene_file)) {}

  void take(recheck::Certificate certificate) {
    name_scene(certificate, prepared_.scene, prepared_.wall().channel(), scene_file_);
    std::string bytes = recheck::packed(recheck::write_certificate(certificate));
    if (files_.size() == kMostProofs || bytes_ + bytes.size() > kMostProofBytes) {
      ++left_out_;
      return;
    }
    bytes_ += bytes.size();
    files_.push_back(std::move(bytes));
  }
  void add_to(FileBatch& batch, const std::filesystem::path& folder) const {
    batch.owns(folder, names());
    for (std::size_t i = 0; i < files_.size(); ++i) batch.add(folder / name(i), files_[i]);
  }

  std::size_t count() const { return files_.size(); }
  std::size_t left_out() const { return left_out_; }
  static std::string name(std::size_t i) { return fmt::format("layout-{}.proof.gz", i + 1); }
  /// All that such a folder may hold.
  static std::set<std::string> names() {
    std::set<std::string> names;
    for (std::size_t i = 0; i < kMostProofs; ++i) names.insert(name(i));
    return names;
  }

 private:
  // More is no use to anybody, and a disk is not to be filled by a fine grid.
  static constexpr std::size_t kMostProofs = 10000;
  static constexpr std::size_t kMostProofBytes = std::size_t{50} << 20U;

  const PreparedScene& prepared_;
  std::string scene_file_;
  std::vector<std::string> files_;
  std::size_t bytes_ = 0;
  std::size_t left_out_ = 0;
};

PlaceSettings settings_for(const PlaceOptions& options, double step_mm) {
  PlaceSettings settings = options.how;
  settings.locks = options.locks;
  settings.station_step_mm = step_mm;
  settings.clock_step_rad = options.clock_step_deg * kRadiansPerDegree;
  return settings;
}

/// What keeps the grid from being searched, as a sentence; nothing when it can be.
std::optional<std::string> grid_fault(const DesignParts& parts, const PlaceSettings& settings) {
  const double stations = std::pow(parts.segment.length_mm / settings.station_step_mm, settings.locks) /
                          std::tgamma(settings.locks + 1.0);
  const double layouts = stations * clocking_count(parts, settings.locks, settings.clock_step_rad);
  if (layouts <= kMostLayouts) return std::nullopt;
  return fmt::format(
      "the grid has about {:.1g} layouts, more than {:.0g}; give a larger --step or --clock-step", layouts,
      kMostLayouts);
}

/// Every name that an answer may have: a smaller one leaves no design of a larger one behind.
std::set<std::string> place_names() {
  std::set<std::string> names = {"place.txt", "place.json", "place.partial.json"};
  for (std::size_t i = 0; i < kMostKept; ++i) names.insert(place_scene_name(i));
  return names;
}

/// What an interrupt leaves: the designs found by then, in one file that says it is not the whole.
Result<void> write_partial(const PlaceOptions& options, const PlaceReport& report) {
  const WritingFiles writing;
  return write_whole(options.folder / "place.partial.json", place_json(report));
}

Result<void> add_answer(FileBatch& batch, const PlaceOptions& options, const PlaceReport& report) {
  if (options.folder.empty()) return {};
  batch.owns(options.folder, place_names());
  batch.add(options.folder / "place.txt", place_sentence(report) + "\n" + place_table(report));
  batch.add(options.folder / "place.json", place_json(report));
  for (std::size_t i = 0; i < report.result.best.size(); ++i) {
    auto text = scene_with_layout(report.scene, report.result.best[i].layout, options.folder);
    if (!text) return tl::unexpected<InputError>(text.error());
    batch.add(options.folder / place_scene_name(i), std::move(*text));
  }
  return {};
}

Result<void> write_place_files(const PlaceOptions& options, const PlaceReport& report,
                               const LayoutProofs& proofs) {
  FileBatch batch;
  if (auto added = add_answer(batch, options, report); !added) return added;
  if (!options.proofs.empty()) proofs.add_to(batch, options.proofs);
  const WritingFiles writing;
  return batch.commit();
}

/// What `write_place_files` or an interrupt leaves.
Result<void> write_answer(const PlaceOptions& options, const PlaceReport& report, const LayoutProofs& proofs,
                          bool whole) {
  if (whole) return write_place_files(options, report, proofs);
  return options.folder.empty() ? Result<void>() : write_partial(options, report);
}

void print_proofs(const PlaceOptions& options, const PlaceReport& report, const LayoutProofs& proofs) {
  if (options.proofs.empty()) return;
  fmt::print("{} of layouts that don't reach", count_of(proofs.count(), "proof"));
  if (proofs.left_out() > 0)
    fmt::print(", {} more were left out: too many, or too large together", proofs.left_out());
  if (proofs.count() > 0)
    fmt::print("; to check the first: withy recheck {} {}", (options.proofs / LayoutProofs::name(0)).string(),
               report.scene.file.string());
  fmt::print("\n");
}

void print_report(const PlaceOptions& options, const PlaceReport& report) {
  fmt::print("{}: {}\n", name_of(verdict_of(report.result)), place_sentence(report));
  if (report.result.best.empty()) return;
  fmt::print("{}", place_table(report));
  if (options.folder.empty()) return;
  // A step below what was found: that exact figure is a needlessly hard question.
  const double best = report.result.best.front().plan.clearance_mm;
  const double clearance =
      std::max(report.required_clearance_mm, std::floor((best - kClearanceStep_mm) * 100.0) / 100.0);
  fmt::print("to plan with the first: withy plan {} --clearance {:.2f}\n",
             (options.folder / place_scene_name(0)).string(), clearance);
}

/// What can be told wrong of the arguments before any work is done.
std::optional<ExitStatus> place_refused_at_once(const PlaceOptions& options) {
  if (const auto place = check_output_folder(options.folder, place_names(), {options.scene}); !place)
    return refuse(place.error());
  if (const auto place = check_output_folder(options.proofs, LayoutProofs::names(), {options.scene}); !place)
    return refuse(place.error());
  if (!options.proofs.empty() && !options.folder.empty() &&
      options.proofs.lexically_normal() == options.folder.lexically_normal())
    return refuse_arguments("place", "--proof: give the proofs a folder of their own");
  if (360 % options.clock_step_deg != 0)
    return refuse_arguments("place", "--clock-step: give whole degrees that divide 360");
  return std::nullopt;
}

ExitStatus run_place(const PlaceOptions& options) {
  if (const auto refused = place_refused_at_once(options)) return *refused;
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) return refuse(prepared.error());
  const Scene& scene = prepared->scene;
  if (!scene.parts.lock)
    return refuse(scene.error_at("layout", "there is no lock hardware to place", "give [lock]"));
  const auto base = make_problem(*prepared, 0, options.clearance_mm);
  if (!base) return refuse(base.error());
  const double step =
      options.step_mm.value_or(std::max(0.5, std::round(scene.parts.segment.length_mm / kStationsAlong)));
  PlaceSettings settings = settings_for(options, step);
  settings.errors = usual_errors(scene);
  if (const auto fault = grid_fault(scene.parts, settings)) return refuse_arguments("place", *fault);

  using Clock = std::chrono::steady_clock;
  const auto since = Clock::now();
  const auto elapsed = [since] { return std::chrono::duration<double>(Clock::now() - since).count(); };
  const InterruptRequest interrupt;
  settings.effort = Effort::of_seconds(options.budget_s).renewed(options.work).until_interrupted([&] {
    return interrupt.requested();
  });
  LayoutProofs proofs(*prepared, named_from(options.scene, options.proofs));
  if (!options.proofs.empty())
    settings.certified = [&](recheck::Certificate certificate) { proofs.take(std::move(certificate)); };
  std::string stage;
  settings.progress = [&](const std::string& what, const std::string& known, double done) {
    if (what != stage) progress.stage(what);
    stage = what;
    progress.note(fmt::format("{}; {:.0f} of at most {:g} s", known, elapsed(), options.budget_s));
    progress.fraction(done);
  };
  PlaceReport report{scene,
                     named_from(options.scene, options.folder),
                     options.locks,
                     step,
                     settings.clock_step_rad,
                     base->required_clearance_mm,
                     search_place(*base, settings),
                     0.0,
                     false};
  interrupt.settle();
  report.seconds = elapsed();
  report.partial = settings.effort.cut_short();
  progress.stage("writing");
  if (const auto written = write_answer(options, report, proofs, !interrupt.requested()); !written)
    return refuse(written.error());
  if (interrupt.requested()) return ExitStatus::interrupted;
  print_report(options, report);
  print_proofs(options, report, proofs);
  return status_of(verdict_of(report.result));
}

}  // namespace

void add_place_command(CommandLine& line) {
  auto options = std::make_shared<PlaceOptions>();
  CLI::App& app =
      line.add("place",
               "Where the locks should sit: the stations and clockings that reach the target with the "
               "widest clearance, as a table and as scenes.",
               "withy place scenes/single-bend/scene.toml --locks 1 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks, "how many locks to place").required().within(1, kMaxLocks);
  add_option(app, "--step", options->step_mm,
             "spacing of the grid of stations in mm; left out: a twentieth of the segment, in whole mm")
      .in_range_of("--step");
  add_option(app, "--clock-step", options->clock_step_deg,
             "spacing of the grid of clockings in degrees, a divisor of 360; default 45")
      .within(1, 360);
  add_option(app, "--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      .in_range_of("--clearance");
  add_option(app, "--keep", options->how.keep, "how many best designs to look for; default 3")
      .within(1, kMostKept);
  add_option(app, "--work", options->work,
             "most work for one question about one layout, about in microseconds of a fast machine; "
             "default 400000")
      .within(1, kMostWork);
  add_option(app, "--trials", options->how.polish_trials,
             "layouts tried between the points of the grid, about each of the best; default 9")
      .within(0, 100000);
  add_option(
      app, "--budget", options->budget_s,
      "seconds after which the search ends with what it has; default 600. Within it the answer depends on "
      "nothing but the scene and the options")
      .in_range_of("--budget");
  add_option(app, "-o,--output", options->folder,
             "folder for place.txt, place.json and a scene for each design, place-1.toml and so on, or, "
             "interrupted, "
             "place.partial.json with the designs found by then; left out: "
             "nothing is written");
  add_option(
      app, "--proof", options->proofs,
      "folder for certificates of the layouts that are proved not to reach the target with the required "
      "clearance, layout-1.proof.gz and so on, at most 10000 and 50 MB; interrupted: not written");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_place(*options); });
}

}  // namespace withy
