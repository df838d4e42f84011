// SPDX-License-Identifier: GPL-3.0-or-later
// `withy page`: one or more plans of one scene as an HTML file that needs no network.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include "planner/files/file_output.h"
#include "planner/files/toml_reader.h"
#include "planner/plan/plan.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/script/plan_claims.h"
#include "planner/show/movie.h"
#include "planner/show/page.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"
#include "tools/withy/sound_plan.h"

namespace withy {
namespace {

struct PageOptions {
  std::vector<std::filesystem::path> plans;
  std::filesystem::path scene;
  std::filesystem::path output;
  bool movie = false;
  bool quiet = false;
};

/// What the plan's file says of it that is not so: the page would repeat it.
std::optional<Refused> misleading(const SoundPlan& read) {
  if (!read.plan) return std::nullopt;
  const MotionVerifier verifier(read.design, *read.prepared.distance);
  const double required = read.file.required_clearance_mm.value_or(read.prepared.scene.required_clearance_mm);
  auto found = false_claim(read.file, *read.plan, {read.prepared.scene, verifier, required});
  if (!found) return std::nullopt;
  return Refused{std::move(*found), ExitStatus::does_not_hold};
}

/// All plans, which must be of the same scene and mesh.
tl::expected<std::vector<SoundPlan>, Refused> read_all(const PageOptions& options) {
  std::vector<SoundPlan> all;
  for (const auto& path : options.plans) {
    auto one = read_sound_plan(path, options.scene);
    if (!one) return tl::unexpected(one.error());
    if (auto found = misleading(*one)) return tl::unexpected(std::move(*found));
    if (!all.empty() && (one->prepared.scene.sha256 != all.front().prepared.scene.sha256 ||
                         one->prepared.scene.mesh_sha256 != all.front().prepared.scene.mesh_sha256))
      return tl::unexpected(
          Refused{{path.string(), 1, 1,
                   fmt::format("this plan is for another scene than {}", options.plans.front().string()),
                   "name plans of one scene"},
                  ExitStatus::wrong_input});
    all.push_back(std::move(*one));
  }
  return all;
}

tl::expected<std::string, Refused> page_text(const PageOptions& options, Progress& progress) {
  progress.stage("reading plans");
  auto read = read_all(options);
  if (!read) return tl::unexpected(read.error());
  const PreparedScene& prepared = read->front().prepared;
  if (const auto place = check_output_file(options.output, {prepared.scene.file, prepared.scene.mesh_file});
      !place)
    return tl::unexpected(Refused{place.error(), ExitStatus::wrong_input});
  progress.stage("drawing");
  const DisplayMesh display = make_display_mesh(prepared.wall().channel());
  PageInput input{prepared.scene, prepared.wall(), display, {}};
  for (SoundPlan& one : *read)
    input.plans.push_back({one.file.json.text(), std::move(one.design), std::move(one.plan)});
  return page_html(input);
}

/// The moving picture of the one plan that is named.
tl::expected<std::string, Refused> movie_text(const PageOptions& options, Progress& progress) {
  progress.stage("reading the plan");
  auto read = read_all(options);
  if (!read) return tl::unexpected(read.error());
  SoundPlan& one = read->front();
  const Scene& scene = one.prepared.scene;
  if (const auto place = check_output_file(options.output, {scene.file, scene.mesh_file}); !place)
    return tl::unexpected(Refused{place.error(), ExitStatus::wrong_input});
  if (!one.plan) return tl::unexpected(Refused{one.file.without_target(), ExitStatus::wrong_input});
  progress.stage("drawing");
  Answer answer;
  answer.verdict = Verdict::reached;
  answer.locks = one.design.lock_count();
  answer.plan = std::move(one.plan);
  return draw_movie({scene, one.prepared.wall().channel(), one.design, answer});
}

/// What can be told wrong of the arguments before anything is read.
std::optional<ExitStatus> page_refused_at_once(const PageOptions& options) {
  if (options.movie && options.plans.size() != 1)
    return refuse_arguments("page", "--movie: a moving picture is of one plan; name one");
  if (options.movie && options.output.extension() != ".svg")
    return refuse_arguments("page", "--movie: the file must end in .svg");
  if (const auto missing = page_missing(); missing && !options.movie) {
    say_aside("withy page: " + *missing);
    return ExitStatus::our_fault;
  }
  std::vector<std::filesystem::path> inputs = options.plans;
  inputs.push_back(options.scene);
  if (const auto place = check_output_file(options.output, inputs); !place) return refuse(place.error());
  return std::nullopt;
}

ExitStatus run_page(const PageOptions& options) {
  if (const auto refused = page_refused_at_once(options)) return *refused;
  Progress progress(options.quiet);
  auto text = options.movie ? movie_text(options, progress) : page_text(options, progress);
  if (!text) return say(text.error());
  const WritingFiles writing;
  if (const auto written = write_whole(options.output, std::move(*text)); !written)
    return refuse(written.error());
  fmt::print("{}\n", options.output.string());
  return ExitStatus::done;
}

}  // namespace

void add_page_command(CommandLine& line) {
  auto options = std::make_shared<PageOptions>();
  CLI::App& app =
      line.add("page",
               "Shows plans as a page to open in a browser; several plans of one scene are shown side by "
               "side. One HTML file that needs no network; lengths in mm.",
               "withy page out/plan.json -o out/page.html");
  add_option(app, "PLAN", options->plans, "plan files (JSON) of one scene, which has not changed since")
      .required();
  add_option(app, "--scene", options->scene,
             "the scene that they were made for, where it is neither beside them nor where they say");
  add_option(app, "-o,--output", options->output, "HTML file to write; with --movie an SVG file").required();
  add_flag(app, "--movie", options->movie,
           "instead of a page a moving picture of one plan: an SVG that plays by itself");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_page(*options); });
}

}  // namespace withy
