// SPDX-License-Identifier: GPL-3.0-or-later
// `withy elastic`: what the real body does with a plan's pulls.
#include <filesystem>
#include <memory>
#include <set>
#include <string>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/elastic/elastic_report.h"
#include "planner/files/file_names.h"
#include "planner/files/file_output.h"
#include "planner/plan/plan.h"
#include "planner/show/page.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"
#include "tools/withy/sound_plan.h"

namespace withy {
namespace {

struct ElasticOptions {
  std::filesystem::path plan;
  std::filesystem::path scene;
  std::filesystem::path folder;
  double budget_s = kInfinity;
  bool quiet = false;
};

std::set<std::string> elastic_names() {
  return {"elastic.json", "elastic.csv", "elastic.html"};
}

/// The plan's page with the elastic body, with either pulls.
std::string both_bodies(const ElasticReport& report, const SoundPlan& read) {
  const DisplayMesh display = make_display_mesh(read.prepared.wall().channel());
  PagePlan plan{read.file.json.text(), read.design, read.plan, {}};
  plan.elastic.push_back({"elastic body, ideal pulls", report.ideal.followed});
  if (report.compensated)
    plan.elastic.push_back({"elastic body, compensated pulls", report.compensated->followed});
  return page_html({read.prepared.scene, read.prepared.wall(), display, {std::move(plan)}});
}

ExitStatus write_and_print(const ElasticOptions& options, const ElasticReport& report,
                           const SoundPlan& read) {
  const Scene& scene = read.prepared.scene;
  FileBatch batch;
  if (!options.folder.empty()) {
    batch.owns(options.folder, elastic_names());
    batch.add(options.folder / "elastic.json", elastic_json(report, *read.plan, scene));
    batch.add(options.folder / "elastic.csv", elastic_csv(report, scene));
    if (page_missing())
      say_aside("no page was written: " + *page_missing());
    else
      batch.add(options.folder / "elastic.html", both_bodies(report, read));
  }
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}", elastic_table(report, *read.plan));
  return ExitStatus::done;
}

ExitStatus run_elastic(const ElasticOptions& options) {
  if (const auto place = check_output_folder(options.folder, elastic_names(), {options.plan, options.scene});
      !place)
    return refuse(place.error());
  Progress progress(options.quiet);
  progress.stage("reading plan and channel");
  const auto read = read_sound_plan(options.plan, options.scene);
  if (!read) return say(read.error());
  if (const auto fault = not_for_elastic(*read)) return refuse(*fault);
  progress.stage("following the plan");
  const Scene& scene = read->prepared.scene;
  auto report = make_elastic_report({scene, read->design, *read->plan, *read->prepared.distance,
                                     read->file.required_clearance_mm.value_or(scene.required_clearance_mm),
                                     Effort::of_seconds(options.budget_s)});
  if (!report) return say_cut_short(options.budget_s, report.error());
  report->plan_file = named_from(options.plan, options.folder);
  report->scene_file = named_from(options.scene, options.folder);
  return write_and_print(options, *report, *read);
}

}  // namespace

void add_elastic_command(CommandLine& line) {
  auto options = std::make_shared<ElasticOptions>();
  CLI::App& app = line.add(
      "elastic",
      "What the real body, with its weight, wires that give, friction and play, does with a plan's pulls.",
      "withy elastic out/plan.json scenes/single-bend/scene.toml -o out");
  add_option(app, "PLAN", options->plan, "plan file (JSON) that reaches its target").required();
  add_option(app, "SCENE", options->scene, "the scene it was made for, with [elastic], unchanged since")
      .required();
  add_option(app, "-o,--output", options->folder,
             "folder for elastic.json, elastic.csv and elastic.html; left out: nothing is written");
  add_budget_option(app, options->budget_s, "following the plan after it and the channel are read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_elastic(*options); });
}

}  // namespace withy
