// SPDX-License-Identifier: GPL-3.0-or-later
// Many benches drawn, each run through the whole plan.
//
// Contact: some motion of the plan, as the drawn bench runs it, does not keep clear of the wall, judged over
// the whole motion and body (MotionVerifier). Miss: the tip ends further from the target than its tolerance.
// The draws come from one generator in order, so a seed gives the same result on any number of threads.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "planner/tolerance/bench.h"
#include "planner/tolerance/statistics.h"

namespace withy {

struct MonteCarloResult {
  int draws = 0;
  int contacts = 0;  ///< proved
  int close = 0;     ///< too close to tell
  int misses = 0;
  ProbabilityInterval contact;
  ProbabilityInterval miss;
  std::vector<double> tip_error_mm;  ///< ascending
  /// Share of the tip error's variance that goes with each error alone (first-order Sobol index).
  std::array<double, kErrorKinds> tip_share{};
};

struct MonteCarloSettings {
  int draws = 1000;
  std::uint64_t seed = 1;
  std::function<void(double)> progress = [](double) {};
};

MonteCarloResult run_monte_carlo(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                                 const State& reached, const Eigen::Vector3d& channel_centre_E,
                                 const ErrorSizes& sizes, const MonteCarloSettings& settings);

}  // namespace withy
