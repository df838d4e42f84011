// SPDX-License-Identifier: GPL-3.0-or-later
// One question put to the complete search and to OMPL's stock planners by OMPL's own Benchmark: same start,
// goal, validity checker and motion validator, one after the other in one process.
//
// A run's time is OMPL's: from the call of solve() to its return, by the clock. It holds up to a millisecond
// in which OMPL waits for the thread that watches its time limit, whoever plans. The distance field is filled
// before; what a planner builds for itself is counted.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/problem.h"

namespace withy::bench {

struct ExperimentSettings {
  double budget_seconds = 5.0;  ///< for each run
  int runs = 3;
  std::vector<std::string> planners;  ///< stock ones, geometric and control, by name
};

/// What came of a planner's runs. The vectors hold one value for each run that was solved.
struct PlannerRuns {
  std::string planner;  ///< "complete" is withy's own
  int runs = 0;
  std::vector<double> seconds;
  std::vector<double> length_mm;  ///< by the space's metric
  std::vector<double> switches;
  std::vector<double> clearance_mm;   ///< least along the path, verified; infinite when never inside
  int confirmed = 0;                  ///< solutions whose every motion OMPL's check of the path found valid
  std::vector<double> proof_seconds;  ///< of the complete search's runs that proved there is no way

  int solved() const { return static_cast<int>(seconds.size()); }
};

struct Experiment {
  std::string scene;
  int locks = 0;
  Verdict verdict = Verdict::undecided;  ///< the complete search's
  std::vector<PlannerRuns> planners;     ///< the complete search first
  std::string geometric_log;             ///< OMPL's own format
  std::string control_log;               ///< empty when no control planner took part

  const PlannerRuns& complete() const { return planners.front(); }
};

/// `scene` is only a name. OMPL's random numbers go on from where they are.
Experiment run_experiment(const std::string& scene, const SearchProblem& problem,
                          const ExperimentSettings& settings);

}  // namespace withy::bench
