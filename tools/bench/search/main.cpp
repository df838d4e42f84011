// SPDX-License-Identifier: GPL-3.0-or-later
// The complete search against OMPL's stock planners on scenes: who solves what, how fast, how good a path.
// Times only get printed; what fails the program is a stock planner that solves what was proved unreachable.
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <string>
#include <thread>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <ompl/util/Console.h>
#include <ompl/util/RandomNumbers.h>

#include "planner/files/file_output.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ompl/ompl_planners.h"
#include "tools/bench/search/experiment.h"
#include "tools/bench/search/tables.h"
#include "tools/bench/support/machine.h"

using namespace withy;
using namespace withy::bench;

namespace {

constexpr int kContradicted = 1;
constexpr int kWrongInput = 2;

struct Options {
  std::vector<std::filesystem::path> scenes;
  std::vector<int> locks = {0, 1, 2};
  unsigned seed = 1;
  std::filesystem::path folder;
  ExperimentSettings experiment;
};

std::vector<std::string> all_planners() {
  std::vector<std::string> names = stock_planner_names();
  names.insert(names.end(), control_planner_names().begin(), control_planner_names().end());
  return names;
}

std::vector<std::filesystem::path> shipped_scenes() {
  std::vector<std::filesystem::path> scenes;
  for (const auto& folder : std::filesystem::directory_iterator(WITHY_SOURCE_DIR "/scenes"))
    if (std::filesystem::exists(folder.path() / "scene.toml")) scenes.push_back(folder.path() / "scene.toml");
  std::sort(scenes.begin(), scenes.end());
  return scenes;
}

void parse(CLI::App& app, Options& options) {
  options.scenes = shipped_scenes();
  options.experiment.planners = all_planners();
  app.add_option("--scenes", options.scenes, "scene files; left out: all that are shipped")
      ->check(CLI::ExistingFile);
  app.add_option("--locks", options.locks, "lock counts")->capture_default_str();
  app.add_option("--planners", options.experiment.planners, "stock planners")
      ->check(CLI::IsMember(all_planners()))
      ->capture_default_str();
  app.add_option("--budget", options.experiment.budget_seconds, "seconds for each run")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  app.add_option("--runs", options.experiment.runs, "runs of each planner")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  app.add_option("--seed", options.seed, "of the stock planners' random choices")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  app.add_option(
      "--out", options.folder,
      "folder for OMPL's logs, one for each question and kind of planner (its format holds no more)");
}

void print_head(const Options& options) {
  fmt::print("machine   {}, {} cores\n", processor(), std::thread::hardware_concurrency());
  fmt::print("build     {}, commit {}\n", __VERSION__, commit());
  fmt::print("runs      {} of each planner, {} s each at most, seed {}\n", options.experiment.runs,
             options.experiment.budget_seconds, options.seed);
  fmt::print(
      "times     by the clock, of runs that found a way (of proofs, where there is none); field fill apart\n"
      "length    by the space's metric: mm of insertion, of the tip by bending, and a price for each "
      "switch\n");
}

/// False, and a line on standard error, for a scene that can't be read.
bool run_scene(const std::filesystem::path& file, const Options& options,
               std::vector<Experiment>& experiments) {
  const auto prepared = prepare_scene(file);
  const std::string name = std::filesystem::absolute(file).parent_path().filename().string();
  if (!prepared) {
    fmt::print(stderr, "{}\n", prepared.error().message());
    return false;
  }
  for (const int locks : options.locks) {
    const auto problem = make_problem(*prepared, locks);
    if (!problem) {
      fmt::print(stderr, "{}\n", problem.error().message());
      return false;
    }
    experiments.push_back(run_experiment(name, *problem, options.experiment));
    fmt::print("{}", experiment_table(experiments.back()));
    std::fflush(stdout);
  }
  return true;
}

bool write_logs(const std::filesystem::path& folder, const std::vector<Experiment>& experiments) {
  FileBatch batch;
  for (const Experiment& experiment : experiments) {
    const std::string name = fmt::format("{}-{}", experiment.scene, experiment.locks);
    batch.add(folder / (name + "-geometric.log"), experiment.geometric_log);
    if (!experiment.control_log.empty()) batch.add(folder / (name + "-control.log"), experiment.control_log);
  }
  const auto written = batch.commit();
  if (!written) fmt::print(stderr, "{}\n", written.error().message());
  return written.has_value();
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("The complete search against OMPL's stock planners, by OMPL's own benchmark");
  parse(app, options);
  CLI11_PARSE(app, argc, argv);

  ompl::msg::noOutputHandler();
  ompl::RNG::setSeed(options.seed);
  print_head(options);
  std::vector<Experiment> experiments;
  for (const auto& scene : options.scenes)
    if (!run_scene(scene, options, experiments)) return kWrongInput;
  fmt::print("{}\n{}\n", planner_table(experiments), faster_sentences(experiments));
  const std::string contradicted = contradictions(experiments);
  fmt::print("{}\n", contradicted.empty() ? agreement_sentence(experiments) : contradicted);
  if (!options.folder.empty() && !write_logs(options.folder, experiments)) return kWrongInput;
  return contradicted.empty() ? 0 : kContradicted;
}
