// SPDX-License-Identifier: GPL-3.0-or-later
// `withy fit`: rigidity, friction, slack and the base's place from what was measured on the bench.
#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/files/input_file.h"
#include "planner/fit/fit_report.h"
#include "planner/fit/fitted_scene.h"
#include "planner/scene/scene.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct FitOptions {
  std::filesystem::path scene;
  std::filesystem::path table;
  FitSettings settings;
  std::filesystem::path folder;
  bool elastic = false;
  double budget_s = kInfinity;
  bool quiet = false;
};

/// The files of an answer.
std::set<std::string> fit_names() {
  return {"fit.txt", "fit.json", "residuals.svg", "fitted-scene.toml"};
}

/// The scene with its entry where the base was found to be, if the channel can be entered there; else why
/// not.
Result<void> entry_stands(const Scene& scene, const Fit& fit) {
  Scene moved = scene;
  moved.entry.X_SE = scene.entry.X_SE * fit.found.entry_offset();
  moved.parts.R_SE = moved.entry.X_SE.linear();
  const auto channel = read_channel(moved);
  if (!channel) return tl::unexpected(channel.error());
  return {};
}

/// Adds the scene with the fitted values; says on standard output what of them it could not take.
Result<void> add_scene(FileBatch& batch, const Scene& scene, const Fit& fit,
                       const std::filesystem::path& file) {
  bool move = base_determined(fit);
  std::string left;
  if (!move) left = "not all of the base's offset can be told";
  if (scene.position.contains("entry.at")) {
    move = false;
    left = "the scene names its entry (at); give it as numbers";
  }
  if (move) {
    if (const auto stands = entry_stands(scene, fit); !stands) {
      move = false;
      left = "there the channel can't be entered: " + stands.error().problem;
    }
  }
  auto text = fitted_scene(scene, fit, file, move);
  if (!text) return tl::unexpected(text.error());
  batch.add(file, std::move(*text));
  if (!move) fmt::print("the entry frame of {} stays where it was: {}\n", file.string(), left);
  return {};
}

Result<void> write_fit_files(const FitOptions& options, const FitReport& report) {
  FileBatch batch;
  batch.owns(options.folder, fit_names());
  batch.add(options.folder / "fit.txt", fit_table(report));
  batch.add(options.folder / "fit.json", fit_json(report));
  batch.add(options.folder / "residuals.svg", residual_svg(report));
  if (auto added = add_scene(batch, report.scene, report.fit, options.folder / "fitted-scene.toml"); !added)
    return added;
  const WritingFiles writing;
  return batch.commit();
}

/// What is fitted, and to what.
struct Fitting {
  Scene scene;
  Measurements table;
  Design design;
};

Result<Fitting> read_fitting(const FitOptions& options) {
  Result<Scene> scene = read_scene(options.scene);
  if (!scene) return tl::unexpected(scene.error());
  if (!scene->parts.tendons)
    return tl::unexpected(scene->error_at("tendons", "the scene has no [tendons]", "describe them"));
  if (options.elastic && !scene->parts.elastic)
    return tl::unexpected(scene->error_at(
        "", "the scene has no [elastic], so nothing is known of how it gives", "add the table"));
  const auto bytes = read_text_input(options.table, kLargestText);
  if (!bytes) return tl::unexpected(bytes.error());
  auto table = read_measurements(*bytes, options.table.string(),
                                 static_cast<int>(scene->parts.tendons->angle_rad.size()));
  if (!table) return tl::unexpected(table.error());
  Result<Design> design = scene->design(table->locks);
  if (!design) return tl::unexpected(design.error());
  return Fitting{std::move(*scene), std::move(*table), std::move(*design)};
}

ExitStatus run_fit(const FitOptions& options) {
  if (const auto place = check_output_folder(options.folder, fit_names(), {options.scene, options.table});
      !place)
    return refuse(place.error());
  Progress progress(options.quiet);
  progress.stage("reading the scene and the measurements");
  const auto read = read_fitting(options);
  if (!read) return refuse(read.error());
  const std::string table_file = options.table.string();
  progress.stage("fitting");
  FitSettings settings = options.settings;
  settings.effort = Effort::of_seconds(options.budget_s);
  const Eigen::Isometry3d& X_SE = read->scene.entry.X_SE;
  const auto fit = fit_bench(read->design, X_SE, read->table, settings);
  if (!fit && fit.error() == FitFault::cut_short)
    return say_cut_short(options.budget_s, {"nothing", "the fit"});
  if (!fit) return refuse(fault_of(fit.error(), table_file, &read->table));
  FitReport report{read->scene, read->table, *fit, named_from(options.scene, options.folder),
                   named_from(options.table, options.folder)};
  std::optional<ElasticFit> elastic;
  if (options.elastic) {
    progress.stage("fitting the elastic segment");
    auto found = fit_elastic(read->design, X_SE, read->table, settings);
    if (!found && found.error() == FitFault::cut_short) {
      fmt::print("{}", fit_table(report));
      return say_cut_short(options.budget_s, {"the fit of the ideal segment", "that of the elastic one"});
    }
    if (found) elastic = std::move(*found);
    if (elastic) report.elastic = &*elastic;
    if (!found) report.elastic_fault = fault_of(found.error(), table_file).problem;
  }
  fmt::print("{}", fit_table(report));
  if (options.folder.empty()) return ExitStatus::done;
  if (const auto written = write_fit_files(options, report); !written) return refuse(written.error());
  return ExitStatus::done;
}

}  // namespace

void add_fit_command(CommandLine& line) {
  auto options = std::make_shared<FitOptions>();
  CLI::App& app = line.add(
      "fit",
      "Flexural rigidity, friction, tendon slack and the base's offset from measured pulls, tensions and tip "
      "positions, with their uncertainties. MEASUREMENTS has the columns insertion_mm, pull_1_mm .., "
      "tip_x_mm, tip_y_mm, tip_z_mm (scene frame), and may have tension_1_N .. (at the base) and lock_1 .. "
      "(1 "
      "engaged, 0 released).",
      "withy fit scenes/fold-chamber/scene.toml measured.csv -o fitted");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "MEASUREMENTS", options->table, "table of measured poses (CSV)").required();
  const auto noise = [&](const char* name, Reading kind, const char* what) {
    add_option(app, name, options->settings.noise[static_cast<std::size_t>(kind)],
               std::string("standard deviation of ") + what + "; left out: estimated")
        .in_range_of(name);
  };
  noise("--pull-noise", Reading::pull, "a measured pull, mm");
  noise("--tension-noise", Reading::tension, "a measured tension, N");
  noise("--tip-noise", Reading::tip, "each coordinate of a measured tip, mm");
  add_flag(app, "--elastic", options->elastic,
           "find the wires' stiffness, friction and mass of the elastic segment too, rows taken in the order "
           "they were measured; the scene needs [elastic]");
  add_option(app, "-o,--output", options->folder,
             "folder for fit.txt, fit.json, residuals.svg and fitted-scene.toml; left out: no files");
  add_budget_option(app, options->budget_s, "the fit after scene and measurements are read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_fit(*options); });
}

}  // namespace withy
