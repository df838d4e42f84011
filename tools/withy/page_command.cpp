// SPDX-License-Identifier: GPL-3.0-or-later
// `withy page`: one or more plans of one scene as an HTML file that needs no network.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include <fmt/core.h>

#include "planner/files/file_output.h"
#include "planner/files/toml_reader.h"
#include "planner/plan/plan.h"
#include "planner/show/page.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct Options {
  std::vector<std::filesystem::path> plans;
  std::filesystem::path output;
  bool quiet = false;
};

/// A plan file with the scene it was made for.
struct SceneAndPlan {
  Scene scene;
  PagePlan plan;
};

Result<SceneAndPlan> read_one(const std::filesystem::path& path) {
  auto text = read_bytes(path);
  if (!text) return tl::unexpected(text.error());
  const auto file = read_plan(path);
  if (!file) return tl::unexpected(file.error());
  auto scene = scene_of(*file, path);
  if (!scene) return tl::unexpected(scene.error());
  auto design = scene->design(file->locks);
  if (!design) return tl::unexpected(design.error());
  std::optional<Plan> plan;
  if (file->verdict == Verdict::reached) {
    auto read = plan_in(*file, *design);
    if (!read) return tl::unexpected(read.error());
    plan = std::move(*read);
  }
  return SceneAndPlan{std::move(*scene), {std::move(*text), std::move(*design), std::move(plan)}};
}

/// All plans, which must be of the same scene and mesh.
Result<std::vector<SceneAndPlan>> read_all(const std::vector<std::filesystem::path>& paths) {
  std::vector<SceneAndPlan> all;
  for (const auto& path : paths) {
    auto one = read_one(path);
    if (!one) return tl::unexpected(one.error());
    if (!all.empty() && (one->scene.sha256 != all.front().scene.sha256 ||
                         one->scene.mesh_sha256 != all.front().scene.mesh_sha256))
      return input_error(path.string(), 1, 1,
                         fmt::format("this plan is for another scene than {}", paths.front().string()),
                         "name plans of one scene");
    all.push_back(std::move(*one));
  }
  return all;
}

Result<std::string> page_text(const Options& options, Progress& progress) {
  progress.stage("reading plans");
  auto read = read_all(options.plans);
  if (!read) return tl::unexpected(read.error());
  const Scene scene = read->front().scene;
  progress.stage("reading the channel");
  const auto wall = read_wall(scene);
  if (!wall) return tl::unexpected(wall.error());
  progress.stage("drawing");
  const DisplayMesh display = make_display_mesh((*wall)->channel());
  PageInput input{scene, **wall, display, {}};
  for (SceneAndPlan& one : *read) input.plans.push_back(std::move(one.plan));
  return page_html(input);
}

ExitStatus run(const Options& options) {
  if (const auto missing = page_missing()) {
    fmt::print(stderr, "withy page: {}\n", *missing);
    return ExitStatus::our_fault;
  }
  Progress progress(options.quiet);
  auto text = page_text(options, progress);
  if (!text) return refuse(text.error());
  const WritingFiles writing;
  if (const auto written = write_whole(options.output, std::move(*text)); !written)
    return refuse(written.error());
  fmt::print("{}\n", options.output.string());
  return ExitStatus::done;
}

}  // namespace

void add_page_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app =
      line.add("page",
               "Shows plans as a page to open in a browser; several plans of one scene are shown side by "
               "side. One HTML file that needs no network; lengths in mm.",
               "withy page out/plan.json -o out/page.html");
  add_option(app, "PLAN", options->plans, "plan files (JSON) of one scene, which has not changed since")
      .required();
  add_option(app, "-o,--output", options->output, "HTML file to write").required();
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run(*options); });
}

}  // namespace withy
