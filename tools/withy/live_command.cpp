// SPDX-License-Identifier: GPL-3.0-or-later
// `withy live`: the scene on a bench in the browser.
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>
#include <thread>
#include <vector>

#include <fmt/core.h>
#include <malloc.h>

#include "planner/files/cautions.h"
#include "planner/live/desk.h"
#include "planner/show/page.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/live_server.h"
#include "tools/withy/number_lists.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

/// Lock counts that are asked about at a time, at most: more would only slow the first one down.
constexpr unsigned kMostWorkers = 4;

/// The C library keeps memory for threads apart, up to eight times as many parts as there are cores; what
/// each part has once had stays with it. Threads that take turns don't need so many.
constexpr int kMemoryParts = 4;

struct LiveOptions {
  std::filesystem::path scene;
  int port = 0;
  std::vector<double> target_mm;
  bool quiet = false;
};

void say_where(const LiveOptions& options, const std::string& address) {
  fmt::print("{} is on the bench at\n\n    {}\n\n", options.scene.string(), address);
  for (const std::string_view caution : kCautions) fmt::print("{}\n", caution);
  fmt::print(
      "\nOnly this machine can open it. Ctrl-C ends it; what is not saved is kept beside the scene.\n");
  std::fflush(stdout);
}

ExitStatus live(const LiveOptions& options) {
  if (const auto missing = page_missing()) {
    say_aside(*missing);
    return ExitStatus::our_fault;
  }
  mallopt(M_ARENA_MAX, kMemoryParts);
  std::unique_ptr<Desk> desk;
  {
    Progress progress(options.quiet);
    progress.stage("reading the channel");
    const unsigned workers = std::clamp(std::thread::hardware_concurrency(), 1U, kMostWorkers);
    auto opened = Desk::open(options.scene, static_cast<int>(workers));
    if (!opened) return refuse(opened.error());
    desk = std::move(*opened);
  }
  for (const std::string& note : desk->notes()) say_aside(note);
  desk->on_unkept([](const std::string& why) { say_aside(why); });
  if (!options.target_mm.empty())
    if (const auto why = desk->move_target(options.target_mm))
      return refuse_arguments("live", "--target: " + *why);
  auto server = LiveServer::open(*desk, live_page_html(desk->title()), options.port);
  if (!server) return refuse_arguments("live", "--port: " + server.error());
  say_where(options, (*server)->address());
  const KeepOnInterrupt keep([&] { desk->settle(); });
  (*server)->serve();
  return ExitStatus::interrupted;
}

}  // namespace

void add_live_command(CommandLine& line) {
  auto options = std::make_shared<LiveOptions>();
  CLI::App& app =
      line.add("live",
               "The scene in a browser on this machine: point, drag, ask, drive by hand, save. Ends "
               "with Ctrl-C.",
               "withy live scenes/double-bend/scene.toml");
  add_option(app, "SCENE", options->scene, "scene file (TOML; lengths in mm, angles in degrees)").required();
  add_option(app, "--port", options->port, "port of 127.0.0.1; left out: any that is free").within(1, 65535);
  add_numbers(app, "--target", options->target_mm, 3, false,
              "X Y Z in mm, scene frame: opens with the target there, unsaved; left out: the scene's")
      .in_range_of("target.point_mm");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return live(*options); });
}

}  // namespace withy
