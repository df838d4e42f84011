// SPDX-License-Identifier: GPL-3.0-or-later
// bench_foreign: whole questions on meshes that withy did not make, an old program against a new one.
//
// Every mesh of the recipes is made a scene (recipes.toml says how), and `withy check` and `withy plan` with
// each lock count are run on it by both programs, in turn, on one core and on more. Printed are verdict, wall
// and processor time, peak memory; then medians, percentiles and the ratios. Times never decide anything.
#include <algorithm>
#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "tools/bench/foreign/questions.h"
#include "tools/bench/support/child.h"
#include "tools/bench/support/machine.h"
#include "tools/bench/support/spread.h"

using namespace withy;

namespace {

struct Options {
  std::filesystem::path meshes;
  std::filesystem::path scenes = std::filesystem::temp_directory_path() / "bench-foreign";
  std::filesystem::path recipes = WITHY_SOURCE_DIR "/tools/bench/foreign/recipes.toml";
  std::string old_program;
  std::string new_program;
  std::vector<int> locks = {0, 1, 2, 3};
  std::vector<int> cores = {1, 2};
  double budget_s = 60.0;
  std::string only;
  bool scenes_only = false;
};

/// Beyond the budget: the channel's loading, and a program that does not keep its budget.
constexpr double kGrace_s = 60.0;

std::string verdict(const bench::ChildRun& run) {
  if (run.overran) return "overran";
  switch (run.status) {
    case 0:
      return "reached";
    case 3:
      return "unreachable";
    case 4:
      return "undecided";
    default:
      return fmt::format("status {}", run.status);
  }
}

struct Tally {
  std::vector<double> wall_s;
  std::vector<double> processor_s;
  std::vector<double> peak_mb;
  int undecided = 0;
  double worst_check_s = 0.0;
};

using Tallies = std::map<std::pair<std::string, int>, Tally>;

bench::ChildRun ask(const Options& options, const std::string& program, const bench::ForeignScene& scene,
                    int locks, int cores) {
  std::vector<std::string> words = {program,
                                    "plan",
                                    scene.file.string(),
                                    "-q",
                                    "--locks",
                                    std::to_string(locks),
                                    "--budget",
                                    fmt::format("{}", options.budget_s)};
  return bench::run_child(words, cores, options.budget_s + kGrace_s);
}

void run_scene(const Options& options, const bench::ForeignScene& scene, Tallies& tallies) {
  fmt::print("\n{}: {} triangles, scale {:.4g}, first middle line {:.0f} mm\n", scene.name, scene.triangles,
             scene.scale, scene.length_mm);
  const std::vector<std::pair<std::string, std::string>> programs = {{"old", options.old_program},
                                                                     {"new", options.new_program}};
  for (const int cores : options.cores)
    for (const auto& [label, program] : programs) {
      if (program.empty()) continue;
      Tally& tally = tallies[{label, cores}];
      const auto check =
          bench::run_child({program, "check", scene.file.string(), "-q"}, cores, options.budget_s + kGrace_s);
      tally.worst_check_s = std::max(tally.worst_check_s, check.wall_s);
      fmt::print("  {} core(s)  {}  check    {:12} {:7.2f} s wall {:7.2f} s processor {:5.0f} MB\n", cores,
                 label, check.overran ? "overran" : fmt::format("status {}", check.status), check.wall_s,
                 check.processor_s, check.peak_mb);
    }
  for (const int locks : options.locks)
    for (const int cores : options.cores)
      for (const auto& [label, program] : programs) {
        if (program.empty()) continue;
        const auto run = ask(options, program, scene, locks, cores);
        Tally& tally = tallies[{label, cores}];
        tally.wall_s.push_back(run.wall_s);
        tally.processor_s.push_back(run.processor_s);
        tally.peak_mb.push_back(run.peak_mb);
        if (run.overran || run.status == 4) ++tally.undecided;
        fmt::print(
            "  {} core(s)  {}  {} locks  {:12} {:7.2f} s wall {:7.2f} s processor {:5.0f} MB  {:.110}\n",
            cores, label, locks, verdict(run), run.wall_s, run.processor_s, run.peak_mb, run.first_line);
        std::fflush(stdout);
      }
}

void print_tallies(const Tallies& tallies) {
  fmt::print(
      "\nprogram cores  questions undecided   wall s: median    p90    max  processor s: median    p90  "
      "peak MB: median    max  worst check s\n");
  for (const auto& [key, tally] : tallies) {
    const auto wall = bench::spread_of(tally.wall_s);
    const auto processor = bench::spread_of(tally.processor_s);
    const auto peak = bench::spread_of(tally.peak_mb);
    const auto most = [](const std::vector<double>& v) {
      return v.empty() ? 0.0 : *std::max_element(v.begin(), v.end());
    };
    fmt::print("{:7} {:5} {:10} {:9} {:16.2f} {:6.2f} {:6.2f} {:20.2f} {:6.2f} {:16.0f} {:6.0f} {:14.2f}\n",
               key.first, key.second, wall.samples, tally.undecided, wall.median, wall.p90,
               most(tally.wall_s), processor.median, processor.p90, peak.median, most(tally.peak_mb),
               tally.worst_check_s);
  }
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("Whole questions on foreign meshes, an old program against a new one");
  app.add_option("--meshes", options.meshes, "folder that tools/bench/foreign-meshes filled")->required();
  app.add_option("--scenes", options.scenes, "folder for the scenes that are made");
  app.add_option("--recipes", options.recipes);
  app.add_option("--old", options.old_program, "a withy program");
  app.add_option("--new", options.new_program, "another");
  app.add_option("--locks", options.locks);
  app.add_option("--cores", options.cores);
  app.add_option("--budget", options.budget_s, "seconds for each question");
  app.add_option("--only", options.only, "recipes whose name holds this");
  app.add_flag("--scenes-only", options.scenes_only, "make the scenes and ask nothing");
  CLI11_PARSE(app, argc, argv);
  fmt::print("{}, commit {}, budget {} s\n", bench::processor(), bench::commit(), options.budget_s);
  const auto scenes =
      bench::make_foreign_scenes(options.recipes, options.meshes, options.scenes, options.only);
  Tallies tallies;
  for (const auto& scene : scenes) {
    if (!scene) {
      fmt::print("\n{}\n", scene.error());
    } else if (options.scenes_only) {
      fmt::print("{}: {} triangles, scale {:.4g}, first middle line {:.0f} mm: {}\n", scene->name,
                 scene->triangles, scene->scale, scene->length_mm, scene->file.string());
    } else {
      run_scene(options, *scene, tallies);
    }
  }
  print_tallies(tallies);
  return 0;
}
