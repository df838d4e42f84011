// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/search/experiment.h"

#include <algorithm>
#include <sstream>

#include <fmt/format.h>
#include <ompl/control/SimpleSetup.h>
#include <ompl/geometric/SimpleSetup.h>
#include <ompl/tools/benchmark/Benchmark.h>

#include "geometry/numbers/numbers.h"
#include "planner/search/ompl/ompl_planners.h"

namespace withy::bench {

namespace ob = ompl::base;
using ompl::tools::Benchmark;

namespace {

constexpr double kMostMemory_MB = 4096.0;

// What is added to OMPL's own properties of a run.
const std::string kLength = "path length REAL";
const std::string kSwitches = "lock switches INTEGER";
const std::string kClearance = "least clearance REAL";
const std::string kProvedNone = "proved unreachable BOOLEAN";

double length_along(const OmplProblem& problem, const std::vector<State>& states) {
  const auto& space = *problem.information()->getStateSpace();
  SegmentSpace::StateType a;
  SegmentSpace::StateType b;
  double sum = 0.0;
  for (std::size_t i = 1; i < states.size(); ++i) {
    a.value = states[i - 1];
    b.value = states[i];
    sum += space.distance(&a, &b);
  }
  return sum;
}

double least_clearance(const OmplProblem& problem, const Route& route) {
  double least = kInfinity;
  for (std::size_t i = 0; i < route.steps.size(); ++i)
    if (route.steps[i].lock < 0)
      least = std::min(
          least, problem.judge().verifier().clearance(route.state_before(i), route.steps[i].to).lower_mm);
  return least;
}

/// Adds to a run what OMPL does not know to ask.
void add_properties(const OmplProblem& problem, const ob::PlannerPtr& planner,
                    Benchmark::RunProperties& run) {
  if (const auto* complete = dynamic_cast<const CompleteSearch*>(planner.get()))
    run[kProvedNone] = std::to_string(static_cast<int>(complete->proved_none()));
  const auto& definition = planner->getProblemDefinition();
  if (!definition->hasExactSolution()) return;
  const std::vector<State> states = states_along(*definition->getSolutionPath());
  run[kLength] = fmt::format("{}", length_along(problem, states));
  if (const auto route = problem.route_along(states)) {
    run[kSwitches] = fmt::format("{}", route->switches());
    run[kClearance] = fmt::format("{}", least_clearance(problem, *route));
  }
}

/// OMPL's "solved" also counts a path that ends a rounding error off its goal; a planner's own word does not.
bool solved(const Benchmark::RunProperties& run) {
  return run.at("status ENUM") == std::to_string(static_cast<int>(ob::PlannerStatus::EXACT_SOLUTION));
}

bool holds(const Benchmark::RunProperties& run, const std::string& property) {
  const auto found = run.find(property);
  return found != run.end() && found->second == "1";
}

PlannerRuns gather(const std::string& name, const Benchmark::PlannerExperiment& experiment) {
  PlannerRuns out;
  out.planner = name;
  for (const auto& run : experiment.runs) {
    ++out.runs;
    const double seconds = std::stod(run.at("time REAL"));
    if (holds(run, kProvedNone)) out.proof_seconds.push_back(seconds);
    if (!solved(run)) continue;
    out.seconds.push_back(seconds);
    out.length_mm.push_back(std::stod(run.at(kLength)));
    if (const auto switches = run.find(kSwitches); switches != run.end()) {
      out.switches.push_back(std::stod(switches->second));
      out.clearance_mm.push_back(std::stod(run.at(kClearance)));
    }
    if (holds(run, "correct solution BOOLEAN")) ++out.confirmed;
  }
  return out;
}

struct Contender {
  std::string name;
  ob::PlannerPtr planner;
};

/// Runs the contenders, adds what came of them, and returns OMPL's log.
template <class Setup>
std::string run_benchmark(const OmplProblem& problem, const ExperimentSettings& settings,
                          const std::vector<Contender>& contenders, Experiment& out) {
  Setup setup(problem.information());
  setup.getProblemDefinition() = problem.definition();
  setup.setPlanner(contenders.front().planner);
  Benchmark benchmark(setup, fmt::format("{}, {} locks", out.scene, out.locks));
  for (const Contender& contender : contenders) benchmark.addPlanner(contender.planner);
  benchmark.setPostRunEvent([&](const ob::PlannerPtr& planner, Benchmark::RunProperties& run) {
    add_properties(problem, planner, run);
  });
  benchmark.addExperimentParameter("locks", "INTEGER", std::to_string(out.locks));
  constexpr double kUpdate_s = 0.05;  // OMPL's own
  benchmark.benchmark(Benchmark::Request(settings.budget_seconds, kMostMemory_MB,
                                         static_cast<unsigned>(settings.runs), kUpdate_s, false, false,
                                         false));
  const auto& recorded = benchmark.getRecordedExperimentData().planners;
  for (std::size_t i = 0; i < recorded.size(); ++i)
    out.planners.push_back(gather(contenders[i].name, recorded[i]));
  std::ostringstream log;
  benchmark.saveResultsToStream(log);
  return log.str();
}

}  // namespace

Experiment run_experiment(const std::string& scene, const SearchProblem& problem,
                          const ExperimentSettings& settings) {
  const OmplProblem ompl(problem);
  Experiment out;
  out.scene = scene;
  out.locks = problem.design.lock_count();
  std::vector<Contender> geometric = {{"complete", std::make_shared<CompleteSearch>(ompl)}};
  std::vector<Contender> control;
  for (const std::string& name : settings.planners) {
    if (const auto planner = stock_planner(name, ompl)) geometric.push_back({name, planner});
    if (const auto planner = control_planner(name, ompl)) control.push_back({name, planner});
  }
  out.geometric_log = run_benchmark<ompl::geometric::SimpleSetup>(ompl, settings, geometric, out);
  if (!control.empty())
    out.control_log = run_benchmark<ompl::control::SimpleSetup>(ompl, settings, control, out);
  if (out.complete().solved() > 0)
    out.verdict = Verdict::reached;
  else if (!out.complete().proof_seconds.empty())
    out.verdict = Verdict::unreachable;
  return out;
}

}  // namespace withy::bench
