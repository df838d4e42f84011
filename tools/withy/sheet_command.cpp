// SPDX-License-Identifier: GPL-3.0-or-later
// `withy sheet`: what a workshop needs to build the segment.
#include <filesystem>
#include <memory>
#include <optional>
#include <set>
#include <string>

#include <fmt/core.h>

#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/scene/scene.h"
#include "planner/sheet/sheet_drawing.h"
#include "planner/sheet/sheet_table.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"

namespace withy {
namespace {

struct SheetOptions {
  std::filesystem::path scene;
  std::optional<int> locks;
  std::filesystem::path folder;
  bool quiet = false;
};

const std::set<std::string> kSheetNames = {"sheet.csv", "notches.csv", "sheet.svg", "sheet.pdf"};

ExitStatus run_sheet(const SheetOptions& options) {
  if (const auto place = check_output_folder(options.folder, kSheetNames, {options.scene}); !place)
    return refuse(place.error());
  const Result<Scene> scene = read_scene(options.scene);
  if (!scene) return refuse(scene.error());
  const Result<Design> design = scene->design(options.locks.value_or(scene->layout_in_use));
  if (!design) return refuse(design.error());
  const auto sheet = make_build_sheet(*scene, *design, named_from(options.scene, options.folder));
  if (!sheet) return refuse(sheet.error());

  FileBatch batch;
  batch.owns(options.folder, kSheetNames);
  batch.add(options.folder / "sheet.csv", sheet_csv(*sheet));
  batch.add(options.folder / "notches.csv", notches_csv(*sheet));
  batch.add(options.folder / "sheet.svg", sheet_drawing(*sheet, DrawingFormat::svg));
  batch.add(options.folder / "sheet.pdf", sheet_drawing(*sheet, DrawingFormat::pdf));
  const WritingFiles writing;
  if (const auto written = batch.commit(); !written) return refuse(written.error());
  fmt::print("{}", sheet_text(*sheet));
  return ExitStatus::done;
}

}  // namespace

void add_sheet_command(CommandLine& line) {
  auto options = std::make_shared<SheetOptions>();
  CLI::App& app =
      line.add("sheet",
               "The build sheet of the segment: stations, magnets, notches, holes and disks as a table, "
               "and a drawing to scale.",
               "withy sheet scenes/double-bend/scene.toml --locks 2 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks,
             "how many locks the segment has; left out: the scene's layout.use")
      .within(0, kMaxLocks);
  add_option(app, "-o,--output", options->folder,
             "folder for sheet.csv, notches.csv, sheet.svg and sheet.pdf (A3)")
      .required();
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_sheet(*options); });
}

}  // namespace withy
