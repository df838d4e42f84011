// SPDX-License-Identifier: GPL-3.0-or-later
// `withy script`: a plan as rows for the actuation unit, refused when its scene or mesh has changed since or
// when the plan does not hold in it.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>

#include <fmt/core.h>

#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_report.h"
#include "planner/elastic/replay_elastic.h"
#include "planner/files/file_output.h"
#include "planner/plan/plan.h"
#include "planner/script/replay.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/sound_plan.h"

namespace withy {
namespace {

struct ScriptOptions {
  std::filesystem::path plan;
  std::filesystem::path scene;
  std::string form;
  bool no_stops = false;
  bool ideal_pulls = false;
  std::filesystem::path output;
  bool quiet = false;
};

bool wants_program(const ScriptOptions& options) {
  return options.form == "ngc" || (options.form.empty() && options.output.extension() == ".ngc");
}

/// A scene lacks what this form of script needs: said of the scene's file, where it is to be added.
Refused missing(const Scene& scene, ScriptFault fault) {
  const bool rows_would_do = fault == ScriptFault::no_actuation;
  return {scene.error_at("", std::string(sentence_of(fault)),
                         rows_would_do ? "add it and plan again, or take the script as csv, which needs none"
                                       : "add it and plan again"),
          ExitStatus::wrong_input};
}

/// The script as the unit gets it, replayed from itself alone: nothing leaves that does not hold.
std::optional<Refused> unsound_ideal(const ScriptOptions& options, const SoundPlan& read,
                                     const Script& script) {
  Scene scene = read.prepared.scene;
  scene.required_clearance_mm = read.file.required_clearance_mm.value_or(scene.required_clearance_mm);
  const auto report = replay(script, scene, MotionVerifier(read.design, *read.prepared.distance),
                             {.from = read.plan->states.front()});
  if (report.good()) return std::nullopt;
  return Refused{{options.plan.string(), 1, 1,
                  "the script of this plan does not hold: " + report.fault->problem, report.fault->remedy},
                 ExitStatus::does_not_hold};
}

/// What makes up for the elastic body; nothing where the scene has none, the ideal pulls are asked for, or
/// the plan begins in a state that was given.
tl::expected<PullCorrections, Refused> corrections_for(const ScriptOptions& options, const SoundPlan& read) {
  if (options.ideal_pulls || read.plan->from_elsewhere || !read.design.elastic() || !read.design.tendons())
    return PullCorrections{};
  Compensation made =
      compensate(read.design, *read.plan, elastic_target(read.prepared.scene), script_settings());
  if (!made.fault) return std::move(made.corrections);
  return tl::unexpected(
      Refused{{options.plan.string(), 1, 1, "the elastic body finds no equilibrium on this plan's way",
               "plan with smaller bends, or take the ideal pulls (--ideal-pulls)"},
              ExitStatus::does_not_hold});
}

/// A corrected script is held against the body that it was made for.
std::optional<Refused> unsound_elastic(const ScriptOptions& options, const SoundPlan& read,
                                       const Script& script) {
  Scene scene = read.prepared.scene;
  scene.required_clearance_mm = read.file.required_clearance_mm.value_or(scene.required_clearance_mm);
  const ElasticReplay played = replay_elastic(script, scene, read.design, *read.prepared.distance);
  if (!played.fault) return std::nullopt;
  return Refused{
      {options.plan.string(), 1, 1, "the script of this plan does not hold: " + played.fault->problem,
       "plan with more clearance or smaller bends; --ideal-pulls writes the script of the ideal segment, "
       "which "
       "the elastic body does not follow"},
      ExitStatus::does_not_hold};
}

tl::expected<std::string, Refused> script_text(const ScriptOptions& options) {
  const auto read = read_sound_plan(options.plan, options.scene);
  if (!read) return tl::unexpected(read.error());
  if (!read->plan) return tl::unexpected(Refused{read->file.without_target(), ExitStatus::wrong_input});
  const Scene& scene = read->prepared.scene;
  if (!options.output.empty())
    if (const auto place = check_output_file(options.output, {scene.file, scene.mesh_file}); !place)
      return tl::unexpected(Refused{place.error(), ExitStatus::wrong_input});
  const auto corrections = corrections_for(options, *read);
  if (!corrections) return tl::unexpected(corrections.error());
  const auto script = make_script(scene, read->design, *read->plan, *corrections);
  if (!script) return tl::unexpected(missing(scene, script.error()));
  if (wants_program(options) && !scene.actuation)
    return tl::unexpected(missing(scene, ScriptFault::no_actuation));
  const auto fault =
      script->compensated ? unsound_elastic(options, *read, *script) : unsound_ideal(options, *read, *script);
  if (fault) return tl::unexpected(*fault);
  if (!wants_program(options)) return write_csv(*script);
  return write_iso6983(*script, scene, {.stops = !options.no_stops});
}

ExitStatus run_script(const ScriptOptions& options) {
  if (options.no_stops && !wants_program(options))
    return refuse_arguments("script", "--no-stops is for programs: rows have no stops");
  if (!options.output.empty())
    if (const auto place = check_output_file(options.output, {options.plan, options.scene}); !place)
      return refuse(place.error());
  auto text = script_text(options);
  if (!text) return say(text.error());
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
  auto options = std::make_shared<ScriptOptions>();
  CLI::App& app = line.add(
      "script", "Writes a plan down for the actuation unit: way-points of its axes in mm, fields in mT.",
      "withy script out/plan.json --as ngc -o out/script.ngc");
  add_option(app, "PLAN", options->plan, "plan file (JSON) whose scene and mesh have not changed since")
      .required();
  add_option(app, "--scene", options->scene,
             "the scene that it was made for, where it is neither beside the plan nor where the plan says");
  add_option(app, "--as", options->form,
             "csv (comma-separated rows) or ngc (ISO 6983 program); left out: by FILE's ending, else csv")
      .one_of({"csv", "ngc"});
  add_flag(
      app, "--ideal-pulls", options->ideal_pulls,
      "the ideal segment's pulls; left out: where the scene has [elastic], pulls that make up for weight, "
      "wires that give, friction and play");
  add_flag(app, "--no-stops", options->no_stops, "leave out the stop (M0) before each lock switch");
  add_option(app, "-o,--output", options->output, "file to write; left out: standard output");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_script(*options); });
}

}  // namespace withy
