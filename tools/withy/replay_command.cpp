// SPDX-License-Identifier: GPL-3.0-or-later
// `withy replay`: what a script alone makes the body do, and whether that is sound.
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/elastic/replay_elastic.h"
#include "planner/files/shown.h"
#include "planner/plan/state_file.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/script/replay.h"
#include "planner/script/script_file.h"
#include "planner/search/ask/scene_problem.h"
#include "tools/withy/commands.h"
#include "tools/withy/plan_figures.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct ReplayOptions {
  std::filesystem::path script;
  std::filesystem::path scene;
  std::optional<double> clearance_mm;
  bool elastic = false;
  std::filesystem::path from;
  bool out = false;
  double budget_s = kInfinity;
  bool quiet = false;
};

std::string clearance_phrase(double clearance_mm) {
  return std::isfinite(clearance_mm)
             ? fmt::format("clearance at least {:.3f} mm (the plan's less what way-points are off)",
                           clearance_mm)
             : std::string("the body never passes the entry plane");
}

void line(std::string_view about, const std::string& text) {
  fmt::print("{}", figure_line(about, text));
}

/// The limits that a script's extremes stand against.
void report_extremes(const Design& design, const ReplayReport& report) {
  LimitFigures figures;
  figures.pull_mm = report.pull_max_mm;
  figures.tension_N = report.tension_max_N;
  figures.lock_moment_Nmm = report.lock_moment_max_Nmm;
  figures.field_mT = report.field_max_mT;
  figures.switch_reserve = report.field_reserve;
  figures.switches = report.switches;
  figures.hunts = report.hunts;
  fmt::print("{}", limits_table(design, figures));
}

void report_hashes(const Script& script, const Scene& scene) {
  const auto differs = [](const std::string& said, const std::string& is) {
    return !said.empty() && said != is;
  };
  if (differs(script.scene_sha256, scene.sha256))
    line("note", "the scene is not, byte for byte, the one the script was made for");
  if (differs(script.mesh_sha256, scene.mesh_sha256))
    line("note", "the mesh is not, byte for byte, the one the script was made for");
}

/// Everything a verdict needs.
struct Replayed {
  Scene scene;
  Design design;
  Script script;
  ReplayReport report;                   ///< of the ideal segment
  std::optional<ElasticReplay> elastic;  ///< instead, where asked for
};

/// Rows from the one on that the replay was cut short at are open.
ExitStatus say_cut_short_at(const ReplayOptions& options, int line) {
  return say_cut_short(options.budget_s, {fmt::format("the rows before line {} keep every limit", line),
                                          "the rows from there on, and the target"});
}

ExitStatus give_elastic_verdict(const ReplayOptions& options, const Replayed& replayed) {
  const ElasticReplay& report = *replayed.elastic;
  const Design& design = replayed.design;
  if (report.cut_short_at_line) return say_cut_short_at(options, *report.cut_short_at_line);
  if (!report.fault)
    fmt::print("The script brings the elastic body's tip within {:.3f} mm of the target and back out: {}.\n",
               report.tip_error_mm,
               std::isfinite(report.clearance_mm)
                   ? fmt::format("clearance {:.3f} mm, looked at densely", report.clearance_mm)
                   : std::string("the body never passes the entry plane"));
  report_hashes(replayed.script, replayed.scene);
  if (report.fault)
    return does_not_hold(
        {options.script.string(), report.fault->line, 1, report.fault->problem, report.fault->remedy});
  line("pulls", replayed.script.compensated ? "compensated" : "the ideal segment's");
  line("target", fmt::format("reached at line {}, tolerance {} mm", report.tip_line,
                             replayed.scene.target.tolerance_mm));
  line("rows", fmt::format("{}, {} steps", replayed.script.waypoints.size(), report.steps));
  line("pull", fmt::format("{:.3f} of {} mm", report.most.pull_mm, design.tendons()->stroke_max_mm));
  line("tension", fmt::format("{:.3f} of {} N", report.most.base_N, design.tendons()->tension_max_N));
  if (design.lock_count() == 0) return ExitStatus::done;
  line("lock load",
       fmt::format("{:.3f} of {} N mm", report.most.lock_load_Nmm, design.lock().hold_moment_Nmm));
  line("slides", fmt::format("{:.3f} mm off a notch where locks engage, window {} mm",
                             report.slide_error_max_mm, design.latch()->engage_window_mm));
  line("jump", fmt::format("{:.3f} mm of the tip where a lock opens", report.jump_max_mm));
  return ExitStatus::done;
}

ExitStatus give_verdict(const ReplayOptions& options, const Replayed& replayed) {
  const auto& [scene, design, script, report, elastic] = replayed;
  if (elastic) return give_elastic_verdict(options, replayed);
  if (report.cut_short_at_line) return say_cut_short_at(options, *report.cut_short_at_line);
  if (report.good() && options.out)
    fmt::print("The script brings the segment out: {}, every limit held.\n",
               clearance_phrase(report.clearance_mm));
  else if (report.good())
    fmt::print(
        "The script brings the tip within {:.3f} mm of the target and back out: {}, every limit held.\n",
        report.tip_error_mm, clearance_phrase(report.clearance_mm));
  report_hashes(script, scene);
  if (!report.good())
    return does_not_hold(
        {options.script.string(), report.fault->line, 1, report.fault->problem, report.fault->remedy});
  if (!options.out)
    line("target",
         fmt::format("reached at line {}, tolerance {} mm", report.tip_line, scene.target.tolerance_mm));
  if (report.clearance_mm < scene.required_clearance_mm)
    line("clearance",
         fmt::format("{} mm are required, less {} mm that way-points and this bound may be off",
                     shown_at_least(scene.required_clearance_mm), shown_at_most(kReplayClearanceSlack_mm)));
  line("rows", fmt::format("{}", script.waypoints.size()));
  report_extremes(design, report);
  if (design.elastic() && !options.out && options.from.empty())
    line("elastic", "the elastic body was not looked at: --elastic does that");
  return ExitStatus::done;
}

Result<Replayed> replay_files(const ReplayOptions& options) {
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  auto prepared = prepare_scene(options.scene);
  if (!prepared) return tl::unexpected(prepared.error());
  Scene& scene = prepared->scene;
  if (options.clearance_mm) scene.required_clearance_mm = *options.clearance_mm;
  if (!scene.parts.tendons)
    return tl::unexpected(
        scene.error_at("", "the scene has no [tendons], so pulls say nothing of the bend", "describe them"));
  auto script = read_script(options.script, scene);
  if (!script) return tl::unexpected(script.error());
  // Compensated pulls mean nothing to the ideal segment. A way past a lock that sticks has ideal ones.
  const bool elastic = options.elastic || script->compensated;
  if (elastic && !scene.parts.elastic)
    return tl::unexpected(scene.error_at(
        "", "the scene has no [elastic], so nothing is known of how it gives", "add the table"));
  // What the latches hold in a state that is named, and how, only the way to it would tell.
  if (elastic && (options.out || !options.from.empty()))
    return tl::unexpected(InputError{options.script.string(), 1, 1,
                                     "the elastic body is only played from the start to the target and back",
                                     "leave out --from and --out, or --elastic where the pulls are ideal"});
  auto design = scene.design(script->locks);
  if (!design) return tl::unexpected(design.error());
  ReplayTask task;
  task.only_out = options.out;
  if (!options.from.empty()) {
    const auto from = read_state_file(options.from, *design);
    if (!from) return tl::unexpected(from.error());
    task.from = *from;
  }
  progress.stage("replaying");
  task.effort = Effort::of_seconds(options.budget_s);
  if (elastic) {
    ElasticReplay played = replay_elastic(*script, scene, *design, *prepared->distance, task.effort);
    return Replayed{std::move(scene), std::move(*design), std::move(*script), {}, std::move(played)};
  }
  ReplayReport report = replay(*script, scene, MotionVerifier(*design, *prepared->distance), task);
  return Replayed{std::move(scene), std::move(*design), std::move(*script), std::move(report), {}};
}

ExitStatus run_replay(const ReplayOptions& options) {
  const auto replayed = replay_files(options);
  if (!replayed) return refuse(replayed.error());
  return give_verdict(options, *replayed);
}

}  // namespace

void add_replay_command(CommandLine& line) {
  auto options = std::make_shared<ReplayOptions>();
  CLI::App& app = line.add(
      "replay", "Recomputes the body from a script alone and checks clearance, latches, limits and target.",
      "withy replay out/script.csv scenes/single-bend/scene.toml");
  add_option(app, "SCRIPT", options->script, "script file, .csv or .ngc").required();
  add_option(app, "SCENE", options->scene, "scene file (TOML) to check it in").required();
  add_option(app, "--clearance", options->clearance_mm, "required clearance in mm; left out: the scene's")
      .in_range_of("--clearance");
  add_flag(app, "--elastic", options->elastic,
           "play it to the elastic body instead of the ideal segment, as compensated scripts always are; the "
           "scene "
           "needs [elastic]");
  add_option(app, "--from", options->from,
             "state file (JSON) that the script starts from; left out: straight, drawn back, released");
  add_flag(app, "--out", options->out,
           "the script only has to come out to insertion 0: a way past a lock that sticks");
  add_budget_option(app, options->budget_s, "the replay after script and channel are read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_replay(*options); });
}

}  // namespace withy
