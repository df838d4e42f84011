// SPDX-License-Identifier: GPL-3.0-or-later
// `withy script`: a plan as rows for the actuation unit, refused when its scene or mesh has changed since.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>

#include <fmt/core.h>

#include "planner/files/file_output.h"
#include "planner/plan/plan.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"

namespace withy {
namespace {

struct Options {
  std::filesystem::path plan;
  std::string form;
  bool no_stops = false;
  std::filesystem::path output;
};

bool wants_program(const Options& options) {
  return options.form == "ngc" || (options.form.empty() && options.output.extension() == ".ngc");
}

InputError missing(const Scene& scene, ScriptFault fault) {
  return scene.error_at("", std::string(sentence_of(fault)), "describe it in the scene and plan again");
}

Result<std::string> script_text(const Options& options) {
  const auto file = read_plan(options.plan);
  if (!file) return tl::unexpected(file.error());
  const auto scene = scene_of(*file, options.plan);
  if (!scene) return tl::unexpected(scene.error());
  const auto design = scene->design(file->locks);
  if (!design) return tl::unexpected(design.error());
  const auto plan = plan_in(*file, *design);
  if (!plan) return tl::unexpected(plan.error());
  const auto script = make_script(*scene, *design, *plan);
  if (!script) return tl::unexpected(missing(*scene, script.error()));
  if (!wants_program(options)) return write_csv(*script);
  if (!scene->actuation) return tl::unexpected(missing(*scene, ScriptFault::no_actuation));
  return write_iso6983(*script, *scene, {.stops = !options.no_stops});
}

ExitStatus run(const Options& options) {
  if (options.no_stops && !wants_program(options))
    return refuse_arguments("script", "--no-stops is for programs: rows have no stops");
  auto text = script_text(options);
  if (!text) return refuse(text.error());
  if (options.output.empty()) {
    fmt::print("{}", *text);
    return ExitStatus::done;
  }
  const WritingFiles writing;
  if (const auto written = write_whole(options.output, std::move(*text)); !written)
    return refuse(written.error());
  fmt::print("{}\n", options.output.string());
  return ExitStatus::done;
}

}  // namespace

void add_script_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app = line.add(
      "script", "Writes a plan down for the actuation unit: way-points of its axes in mm, fields in mT.",
      "withy script out/plan.json --as ngc -o out/script.ngc");
  add_option(app, "PLAN", options->plan, "plan file (JSON) whose scene and mesh have not changed since")
      .required();
  add_option(app, "--as", options->form,
             "csv (comma-separated rows) or ngc (ISO 6983 program); left out: by FILE's ending, else csv")
      .one_of({"csv", "ngc"});
  add_flag(app, "--no-stops", options->no_stops, "leave out the stop (M0) before each lock switch");
  add_option(app, "-o,--output", options->output, "file to write; left out: standard output");
  line.run(app, [options] { return run(*options); });
}

}  // namespace withy
