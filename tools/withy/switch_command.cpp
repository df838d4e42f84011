// SPDX-License-Identifier: GPL-3.0-or-later
// `withy switch`: which field switches which lock, over bends and clockings, and at other sizes.
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
#include "planner/scene/scene.h"
#include "planner/switching/switch_report.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct SwitchOptions {
  std::filesystem::path scene;
  std::optional<int> locks;
  std::vector<double> scales;
  std::filesystem::path folder;
  double budget_s = kInfinity;
  bool quiet = false;
};

/// Two or three locks have a picture of their clockings.
bool has_clocking_picture(const Design& design) {
  return design.lock_count() == 2 || design.lock_count() == 3;
}

const std::set<std::string> kSwitchNames = {"switch.txt", "switch.json", "switch-map.svg",
                                            "switch-clocking.svg"};

void add_switch_files(FileBatch& batch, const std::filesystem::path& folder, const SwitchReport& report) {
  batch.owns(folder, kSwitchNames);
  batch.add(folder / "switch.txt", switch_table(report));
  batch.add(folder / "switch.json", switch_json(report));
  batch.add(folder / "switch-map.svg", switch_map_svg(report));
  if (has_clocking_picture(report.design)) batch.add(folder / "switch-clocking.svg", clocking_svg(report));
}

ExitStatus run_switch(const SwitchOptions& options) {
  if (const auto place = check_output_folder(options.folder, kSwitchNames, {options.scene}); !place)
    return refuse(place.error());
  Progress progress(options.quiet);
  progress.stage("reading the scene");
  const Result<Scene> scene = read_scene(options.scene);
  if (!scene) return refuse(scene.error());
  const int locks = options.locks.value_or(scene->layout_in_use);
  if (locks == 0)
    return refuse_arguments("switch", "the segment has no lock to switch; give --locks N with N at least 1");
  const Result<Design> design = scene->design(locks);
  if (!design) return refuse(design.error());

  progress.stage("looking for fields over bends and clockings");
  const auto made = make_switch_report(*scene, *design, named_from(options.scene, options.folder),
                                       options.scales, Effort::of_seconds(options.budget_s));
  if (!made) return say_cut_short(options.budget_s, made.error());
  const SwitchReport& report = *made;
  if (!options.folder.empty()) {
    FileBatch batch;
    add_switch_files(batch, options.folder, report);
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}", switch_table(report));
  return ExitStatus::done;
}

}  // namespace

void add_switch_command(CommandLine& line) {
  auto options = std::make_shared<SwitchOptions>();
  CLI::App& app = line.add("switch",
                           "Which field switches which lock, over the bends of the segment and the clockings "
                           "of its locks, and what "
                           "changes when the segment is made larger or smaller.",
                           "withy switch scenes/miniature/scene.toml --scale 0.25 0.5 1 2 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks,
             "how many locks the segment has; left out: the scene's layout.use")
      .within(0, kMaxLocks);
  add_option(app, "--scale", options->scales,
             "factors on every length of the segment (no unit); left out: none. 0.5 is half the size")
      .in_range_of("--scale");
  add_option(app, "-o,--output", options->folder,
             "folder for switch.txt, switch.json, switch-map.svg and, with two or three locks, "
             "switch-clocking.svg; left out: "
             "no files");
  add_budget_option(app, options->budget_s, "fields, clockings and sizes after the scene is read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_switch(*options); });
}

}  // namespace withy
