// SPDX-License-Identifier: GPL-3.0-or-later
// Many benches drawn, each run through the whole plan.
//
// Contact: some motion of the plan, as the drawn bench runs it, does not keep clear of the wall, judged over
// the whole motion and body (MotionVerifier), sweeps of hunts among them. Miss: the tip ends outside the
// target's tolerance of place or direction. Disengaged: a lock finds no notch, or might find another.
// Overload: a lock does not switch, or a limit is broken (bench_hardware.h). A bench with any of these fails.
// The draws come from one generator in order, so a seed gives the same result on any number of threads. Where
// the effort ends them, those in order up to there are counted: which benches are quick has no say.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/tolerance/bench_hardware.h"
#include "planner/tolerance/statistics.h"

namespace withy {

struct MonteCarloResult {
  int draws = 0;     ///< that were made: all that were asked for, or fewer where the effort ended them
  int contacts = 0;  ///< proved
  int close = 0;     ///< too close to tell
  int misses = 0;
  int disengaged = 0;
  int overloads = 0;
  int fails = 0;  ///< those too close to tell among them
  ProbabilityInterval contact;
  ProbabilityInterval miss;
  ProbabilityInterval disengage;
  ProbabilityInterval overload;
  ProbabilityInterval fail;
  std::vector<double> tip_error_mm;  ///< ascending
  /// Share of the tip error's variance that goes with each error alone (first-order Sobol index); zeros where
  /// it has none.
  std::array<SensitivityIndex, kErrorKinds> tip_share{};

  /// Does the tip error differ from bench to bench by more than rounding?
  bool tip_varies() const;
  /// What the first-order shares leave: what errors do only together. 0 where nothing varies.
  double tip_share_left() const;
};

/// What of a plan's hardware the benches are held against.
struct HardwareAsked {
  std::vector<PlannedSwitch> switches;
  std::vector<State> states;
  std::vector<PlannedSwitch> way_in = {};  ///< of them, those up to the target
};

/// All of it.
HardwareAsked hardware_asked(const Design& design, const Plan& plan);

struct MonteCarloSettings {
  int draws = shares::kToleranceDraws;
  std::uint64_t seed = 1;
  std::function<void(double)> progress = [](double) {};
  Effort effort = {};
};

/// Is it proved already that a bench keeps clear over one of the motions, the sweep of a hunt?
using SurelyClear = std::function<bool(const Bench& bench, std::size_t motion)>;

/// How many draws are made between two looks at whether the effort is spent.
std::size_t draws_together();

/// Fewer than two draws give a result without figures.
MonteCarloResult run_monte_carlo(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                                 const State& reached, const Eigen::Vector3d& channel_centre_E,
                                 const ErrorSizes& sizes, const MonteCarloSettings& settings,
                                 const HardwareAsked& asked = {}, const SurelyClear& surely_clear = {});

}  // namespace withy
