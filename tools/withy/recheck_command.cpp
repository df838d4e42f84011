// SPDX-License-Identifier: GPL-3.0-or-later
// `withy recheck`: a proof or a plan, checked from its file alone.
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <utility>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/input_file.h"
#include "tools/withy/commands.h"
#include "tools/withy/progress.h"
#include "tools/withy/rechecking.h"

namespace withy {
namespace {

struct RecheckArguments {
  std::filesystem::path file;
  std::filesystem::path scene;
  std::optional<double> clearance_mm;
  double budget_s = kInfinity;
  bool quiet = false;
};

ExitStatus run_recheck(const RecheckArguments& options) {
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto scene = read_scene(options.scene);
  if (!scene) return refuse(scene.error());
  auto bytes = read_input(options.file);
  if (!bytes) return refuse(bytes.error());
  const auto text = recheck::unpacked(std::move(*bytes), options.file.string(), kMostCertificateBytes);
  if (!text) return refuse(text.error());
  const auto channel = read_channel(*scene);
  if (!channel) return refuse(channel.error());
  const WallDistance wall(*channel);
  const auto report = recheck_text(*text, options.file.string(), *scene, wall,
                                   {options.clearance_mm, Effort::of_seconds(options.budget_s)}, progress);
  if (!report) return refuse(report.error());
  fmt::print("{}\n", report->sentence);
  return report->status;
}

}  // namespace

void add_recheck_command(CommandLine& line) {
  auto options = std::make_shared<RecheckArguments>();
  CLI::App& app =
      line.add("recheck",
               "Checks a proof or a plan from its file alone, by a program that shares nothing with the "
               "search: holds (0), does not hold (5), could not decide (4).",
               "withy recheck no-way.proof scenes/single-bend/scene.toml");
  add_option(app, "PLAN|PROOF", options->file, "plan.json, or a certificate of withy plan --proof")
      .required();
  add_option(app, "SCENE", options->scene, "scene file (TOML) to check it in").required();
  add_option(
      app, "--clearance", options->clearance_mm,
      "clearance in mm that is asked about, where the question was asked with another than the scene's; a "
      "proof for more proves nothing of it")
      .in_range_of("--clearance");
  add_option(
      app, "--budget", options->budget_s,
      "seconds for the check after the channel is read; what is open then is left undecided; left out: "
      "no clock")
      .in_range_of("--budget");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_recheck(*options); });
}

}  // namespace withy
