// SPDX-License-Identifier: GPL-3.0-or-later
// What many targets cost: one search for all of them against one search for each. Both get as much work for a
// target, on the same channel, prepared once and counted for neither. Times are processor time. Passes or
// fails nothing.
#include <cstdio>
#include <filesystem>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "planner/search/ask/lumen_lattice.h"
#include "planner/search/ask/reach_search.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/route/route_search.h"
#include "tools/bench/support/machine.h"

using namespace withy;

namespace {

struct Options {
  std::filesystem::path scene = WITHY_SOURCE_DIR "/scenes/single-bend/scene.toml";
  std::vector<int> locks = {0, 1};
  double spacing_mm = 4.0;
  std::int64_t work = shares::kReachWork;
};

struct Tally {
  int reached = 0;
  int unreachable = 0;
  int undecided = 0;
  double seconds = 0.0;

  void count(Verdict verdict) {
    ++(verdict == Verdict::reached ? reached : verdict == Verdict::unreachable ? unreachable : undecided);
  }
  void print(const char* name) const {
    fmt::print("  {}: {} reached, {} unreachable, {} undecided, {:.2f} s of processor time\n", name, reached,
               unreachable, undecided, seconds);
    std::fflush(stdout);
  }
};

Verdict verdict_of(SearchOutcome outcome) {
  if (outcome == SearchOutcome::found) return Verdict::reached;
  return outcome == SearchOutcome::proved_none ? Verdict::unreachable : Verdict::undecided;
}

void measure(const SearchProblem& problem, const std::vector<Eigen::Vector3d>& targets_E, std::int64_t work) {
  ReachSettings settings;
  settings.effort = Effort::of_work(work);
  Tally together;
  double begin = bench::processor_seconds();
  const ReachResult result = search_reach(problem, targets_E, settings);
  together.seconds = bench::processor_seconds() - begin;
  for (const Verdict verdict : result.verdict) together.count(verdict);
  together.print("one search  ");

  Tally alone;
  int contradictions = 0;
  begin = bench::processor_seconds();
  for (std::size_t i = 0; i < targets_E.size(); ++i) {
    SearchProblem one = problem;
    one.goal.point_E = targets_E[i];
    RouteSearchSettings bounded;
    bounded.effort = Effort::of_work(work);
    const Verdict verdict = verdict_of(RouteSearch(one, bounded).run(one.goal));
    alone.count(verdict);
    contradictions += verdict != Verdict::undecided && result.verdict[i] != Verdict::undecided &&
                      verdict != result.verdict[i];
  }
  alone.seconds = bench::processor_seconds() - begin;
  alone.print("one for each");
  fmt::print("  one search for all takes {:.3f} of the time; {} contradictions\n",
             together.seconds / alone.seconds, contradictions);
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("One search for many targets against one for each");
  app.add_option("--scene", options.scene);
  app.add_option("--locks", options.locks);
  app.add_option("--spacing", options.spacing_mm);
  app.add_option("--work", options.work);
  CLI11_PARSE(app, argc, argv);
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) {
    fmt::print(stderr, "{}\n", prepared.error().message());
    return 2;
  }
  const Scene& scene = prepared->scene;
  const auto targets_E = lumen_lattice(prepared->wall(), scene.parts.segment, scene.parts.carriage,
                                       scene.required_clearance_mm, options.spacing_mm);
  fmt::print("{}, commit {}, scene {}, {} targets {:g} mm apart, at most {} work each\n", bench::processor(),
             bench::commit(), scene.title, targets_E.size(), options.spacing_mm, options.work);
  for (const int locks : options.locks) {
    auto problem = make_problem(*prepared, locks);
    if (!problem) {
      fmt::print(stderr, "{}\n", problem.error().message());
      return 2;
    }
    problem->goal.direction_E.reset();
    fmt::print("{} lock(s)\n", locks);
    measure(*problem, targets_E, options.work);
  }
  return 0;
}
