// SPDX-License-Identifier: GPL-3.0-or-later
// Benches drawn whose segment gives: the errors of errors.h, and those of what `fit --elastic` finds.
//
// On each bench stiffnesses (of the segment, its tendons and backbones, each by itself), mass and friction
// are off by their errors, the motors, the carriage, the channel and the lumen by theirs; backlash is the
// body's own (planner/elastic/held_backbones.h) and none is added. The bench is played the pulls that were
// made for the scene's own numbers. Looked at step by step: no proof.
#pragma once

#include "planner/tolerance/monte_carlo.h"

namespace withy {

/// The most that each may be off, as a share. Common practice, no source.
struct ElasticErrors {
  double stiffness = 0.05;
  double mass = 0.05;
  double friction = 0.2;
};

/// Steps of the looks (mm of the ideal tip's way).
inline constexpr double kDrawnStep_mm = 3.0;

struct ElasticDraws {
  int asked = 0;
  int draws = 0;  ///< that were made: fewer than asked for where the effort ended them; 0: no figures
  bool compensated = false;  ///< false: no compensated pulls were found, the ideal ones were played
  int touches = 0;
  int misses = 0;
  int disengaged = 0;  ///< some lock would not find its notches within window and hunt
  int overloads = 0;   ///< a limit of stroke, tension, lock load or buckling is broken
  int lost = 0;        ///< no equilibrium was found
  int fails = 0;       ///< any of these
  ProbabilityInterval fail;
};

/// Precondition: the problem's design has [elastic] and [tendons]; `plan` belongs to it.
ElasticDraws draw_elastic(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes,
                          const ElasticErrors& elastic, const MonteCarloSettings& settings);

/// Two lines for people, which say from how many draws; none of no draw.
std::string elastic_draws_text(const ElasticDraws& draws);

}  // namespace withy
