// SPDX-License-Identifier: GPL-3.0-or-later
// What would bring a plan's chance to fail under one per cent: which error, lowered to what, and which change
// of the design.
//
// Errors are lowered one at a time, by the same drawn benches; where none alone does, those that help most
// are lowered together, each to a quarter. A change of the design is tried by making the same route's plan
// anew with it, verified as ever, and drawing benches for that. A chance counts as under one per cent when
// its upper bound is.
#pragma once

#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/stand/standing.h"

namespace withy {

/// The chance to fail that is aimed at.
inline constexpr double kChanceWanted = 0.01;

/// One value to change.
struct AdvisedChange {
  std::string what;  ///< for people: "tendon pull offset"
  std::string key;   ///< in files: "pull_offset_mm", "tendons.radius_mm"
  double from = 0.0;
  double to = 0.0;
};

/// Changes that together bring the chance to fail to `standing.fails`.
struct Advice {
  std::vector<AdvisedChange> changes;
  BenchCount fails;
};

struct AdviceList {
  bool needed = false;          ///< the plan's own chance is above what is wanted
  std::vector<Advice> errors;   ///< each enough by itself, or the one of several together
  bool errors_enough = false;   ///< false: what is in `errors` is the most that was found
  std::vector<Advice> designs;  ///< each enough by itself
  bool cut_short = false;       ///< the effort ended before all was tried
};

/// Radii (mm) of tendons farther from the middle that are tried: none outside the body, where no tendon can
/// be. Precondition: there are tendons.
std::vector<double> wider_tendons(const DesignParts& parts);

/// Of a plan of `problem` under errors of these sizes.
AdviceList find_advice(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes,
                       const Effort& effort = Effort());

/// One line for each piece of advice.
std::string advice_text(const AdviceList& list);

}  // namespace withy
