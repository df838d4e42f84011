// SPDX-License-Identifier: GPL-3.0-or-later
// `withy script`: a plan as rows for the actuation unit, refused when its scene or mesh has changed since or
// when the plan does not hold in it.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>
#include <variant>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
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
#include "tools/withy/progress.h"
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
  double budget_s = kInfinity;
  bool quiet = false;
};

/// Why there is no script: it must not leave, or the budget is spent.
using NoScript = std::variant<Refused, CutShort>;

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

/// The rows before the one that a replay was cut short at keep every limit.
CutShort cut_short_at(int line) {
  return {fmt::format("the script is made, and its rows before line {} keep every limit", line),
          "the replay of the rows from there on"};
}

/// The script as the unit gets it, replayed from itself alone: nothing leaves that does not hold.
std::optional<NoScript> unsound_ideal(const ScriptOptions& options, const SoundPlan& read,
                                      const Script& script, const Effort& effort) {
  Scene scene = read.prepared.scene;
  scene.required_clearance_mm = read.file.required_clearance_mm.value_or(scene.required_clearance_mm);
  ReplayTask task;
  task.from = read.plan->states.front();
  task.effort = effort;
  const auto report = replay(script, scene, MotionVerifier(read.design, *read.prepared.distance), task);
  if (report.cut_short_at_line) return cut_short_at(*report.cut_short_at_line);
  if (report.good()) return std::nullopt;
  return Refused{{options.plan.string(), 1, 1,
                  "the script of this plan does not hold: " + report.fault->problem, report.fault->remedy},
                 ExitStatus::does_not_hold};
}

/// What makes up for the elastic body; nothing where the scene has none, the ideal pulls are asked for, or
/// the plan begins in a state that was given.
tl::expected<PullCorrections, NoScript> corrections_for(const ScriptOptions& options, const SoundPlan& read,
                                                        const Effort& effort) {
  if (options.ideal_pulls || read.plan->from_elsewhere || !read.design.elastic() || !read.design.tendons())
    return PullCorrections{};
  FollowSettings settings = script_settings();
  settings.effort = &effort;
  Compensation made = compensate(read.design, *read.plan, elastic_target(read.prepared.scene), settings);
  if (effort.cut_short())
    return tl::unexpected(NoScript(
        CutShort{"the plan is verified in its scene", "the pulls that make up for the elastic body"}));
  if (!made.fault) return std::move(made.corrections);
  return tl::unexpected(NoScript(
      Refused{{options.plan.string(), 1, 1, "the elastic body finds no equilibrium on this plan's way",
               "plan with smaller bends, or take the ideal pulls (--ideal-pulls)"},
              ExitStatus::does_not_hold}));
}

/// A corrected script is held against the body that it was made for.
std::optional<NoScript> unsound_elastic(const ScriptOptions& options, const SoundPlan& read,
                                        const Script& script, const Effort& effort) {
  Scene scene = read.prepared.scene;
  scene.required_clearance_mm = read.file.required_clearance_mm.value_or(scene.required_clearance_mm);
  const ElasticReplay played = replay_elastic(script, scene, read.design, *read.prepared.distance, effort);
  if (played.cut_short_at_line) return cut_short_at(*played.cut_short_at_line);
  if (!played.fault) return std::nullopt;
  return Refused{
      {options.plan.string(), 1, 1, "the script of this plan does not hold: " + played.fault->problem,
       "plan with more clearance or smaller bends; --ideal-pulls writes the script of the ideal segment, "
       "which "
       "the elastic body does not follow"},
      ExitStatus::does_not_hold};
}

tl::expected<std::string, NoScript> script_text(const ScriptOptions& options) {
  const auto refused = [](InputError error) {
    return tl::unexpected(NoScript(Refused{std::move(error), ExitStatus::wrong_input}));
  };
  const auto read = read_sound_plan(options.plan, options.scene);
  if (!read) return tl::unexpected(NoScript(read.error()));
  if (!read->plan) return refused(read->file.without_target());
  const Scene& scene = read->prepared.scene;
  if (!options.output.empty())
    if (const auto place = check_output_file(options.output, {scene.file, scene.mesh_file}); !place)
      return refused(place.error());
  Progress progress(options.quiet);
  progress.stage("making the script");
  const Effort effort = Effort::of_seconds(options.budget_s);
  const auto corrections = corrections_for(options, *read, effort);
  if (!corrections) return tl::unexpected(corrections.error());
  const auto script = make_script(scene, read->design, *read->plan, *corrections);
  if (!script) return tl::unexpected(NoScript(missing(scene, script.error())));
  if (wants_program(options) && !scene.actuation)
    return tl::unexpected(NoScript(missing(scene, ScriptFault::no_actuation)));
  progress.stage("replaying");
  const auto fault = script->compensated ? unsound_elastic(options, *read, *script, effort)
                                         : unsound_ideal(options, *read, *script, effort);
  if (fault) return tl::unexpected(*fault);
  if (!wants_program(options)) return write_csv(*script);
  return write_iso6983(*script, scene, {.stops = !options.no_stops});
}

ExitStatus say_why_none(const ScriptOptions& options, const NoScript& none) {
  if (const auto* cut = std::get_if<CutShort>(&none)) return say_cut_short(options.budget_s, *cut);
  return say(std::get<Refused>(none));
}

ExitStatus run_script(const ScriptOptions& options) {
  if (options.no_stops && !wants_program(options))
    return refuse_arguments("script", "--no-stops is for programs: rows have no stops");
  if (!options.output.empty())
    if (const auto place = check_output_file(options.output, {options.plan, options.scene}); !place)
      return refuse(place.error());
  auto text = script_text(options);
  if (!text) return say_why_none(options, text.error());
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
  add_budget_option(app, options->budget_s,
                    "making and replaying the script after plan and channel are read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_script(*options); });
}

}  // namespace withy
