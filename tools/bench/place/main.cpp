// SPDX-License-Identifier: GPL-3.0-or-later
// How place compares with trying layouts at random: both ask the same question of the same channel, prepared
// once and counted for neither. A random layout has stations drawn evenly from those that a design may have
// and clockings drawn evenly, and is judged as `withy plan` judges it. Times are processor time. Passes or
// fails nothing.
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <numbers>
#include <random>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/search/layouts/place_search.h"
#include "tools/bench/support/machine.h"

using namespace withy;

namespace {

// A line about the random search after so many layouts.
constexpr int kTellEvery = 100;

struct Options {
  std::filesystem::path scene = WITHY_SOURCE_DIR "/scenes/single-bend/scene.toml";
  int locks = 1;
  int samples = 500;
  std::uint32_t seed = 1;
  std::int64_t random_work = 4000000;
  PlaceSettings place;
  std::int64_t place_work = shares::kPlaceWork;
};

struct Found {
  double clearance_mm = -kInfinity;
  std::vector<double> station_mm;
  double seconds = 0.0;
};

class RandomLayouts {
 public:
  RandomLayouts(const DesignParts& parts, int locks, std::uint32_t seed)
      : parts_(parts), locks_(locks), random_(seed) {}

  Design draw() {
    std::uniform_real_distribution<double> station(0.0, parts_.segment.length_mm);
    std::uniform_real_distribution<double> clock(0.0, 2.0 * std::numbers::pi);
    while (true) {
      Stations stations;
      Clockings clockings;
      for (int i = 0; i < locks_; ++i) {
        stations.push_back(station(random_));
        clockings.push_back(clock(random_));
      }
      std::sort(stations.begin(), stations.end());
      if (auto design = design_with(parts_, stations, clockings)) return *design;
    }
  }

 private:
  const DesignParts& parts_;
  int locks_;
  std::mt19937 random_;
};

void print(const char* name, const Found& found) {
  fmt::print("{}: clearance {:.3f} mm at stations {:.2f} mm, {:.2f} s of processor time\n", name,
             found.clearance_mm, fmt::join(found.station_mm, " "), found.seconds);
  std::fflush(stdout);
}

Found search_at_random(const SearchProblem& base, const Options& options) {
  Found best;
  RandomLayouts layouts(base.design.parts(), options.locks, options.seed);
  int reached = 0;
  const double begin = bench::processor_seconds();
  for (int i = 0; i < options.samples; ++i) {
    SearchProblem problem = base;
    problem.design = layouts.draw();
    SolveSettings settings;
    settings.effort = Effort::of_work(options.random_work);
    settings.explain = false;
    const Answer answer = solve(problem, settings);
    reached += answer.plan.has_value();
    if (answer.plan && answer.plan->clearance_mm > best.clearance_mm) {
      best.clearance_mm = answer.plan->clearance_mm;
      best.station_mm = problem.design.layout().station_mm;
    }
    best.seconds = bench::processor_seconds() - begin;
    if ((i + 1) % kTellEvery != 0 && i + 1 != options.samples) continue;
    fmt::print("random: {} of {} layouts reach\n", reached, i + 1);
    print("random", best);
  }
  return best;
}

Found search_by_place(const SearchProblem& base, const Options& options) {
  PlaceSettings settings = options.place;
  settings.locks = options.locks;
  settings.effort = Effort::of_work(options.place_work);
  const double begin = bench::processor_seconds();
  const PlaceResult result = search_place(base, settings);
  Found best;
  best.seconds = bench::processor_seconds() - begin;
  fmt::print(
      "place:  {} combinations of stations, {:g} clockings: {} reach, {} proved unreachable, {} not found "
      "to do better, {} undecided; work {:.1f} million\n",
      result.stations, result.clockings, result.reached, result.unreachable, result.no_better_found,
      result.undecided, 1e-6 * static_cast<double>(result.work));
  if (result.best.empty()) return best;
  best.clearance_mm = result.best.front().plan.clearance_mm;
  best.station_mm = result.best.front().layout.station_mm;
  return best;
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("Place against a random search");
  app.add_option("--scene", options.scene);
  app.add_option("--locks", options.locks);
  app.add_option("--samples", options.samples);
  app.add_option("--seed", options.seed);
  app.add_option("--random-work", options.random_work, "most work for the first plan of a random layout");
  app.add_option("--keep", options.place.keep);
  app.add_option("--work", options.place_work);
  app.add_option("--trials", options.place.polish_trials);
  CLI11_PARSE(app, argc, argv);
  const auto prepared = prepare_scene(options.scene);
  const auto base = prepared ? make_problem(*prepared, 0) : tl::unexpected(prepared.error());
  if (!base) {
    fmt::print(stderr, "{}\n", base.error().message());
    return 2;
  }
  fmt::print("{}, commit {}, scene {}, {} lock(s), seed {}\n", bench::processor(), bench::commit(),
             prepared->scene.title, options.locks, options.seed);
  const Found placed = search_by_place(*base, options);
  print("place ", placed);
  if (options.samples <= 0) return 0;
  const Found random = search_at_random(*base, options);
  fmt::print("place takes {:.3f} of the time; clearance {:+.3f} mm against the best of the random search\n",
             placed.seconds / random.seconds, placed.clearance_mm - random.clearance_mm);
  return 0;
}
