// SPDX-License-Identifier: GPL-3.0-or-later
// A hunt of a smaller radius, for a plan that lacks a hunt because the scene's can't be made.
//
// The plan's own way in is made a plan anew with a latch whose hunt is smaller, in tenths of the scene's from
// the least on, verified as ever. The first radius is taken with which every hunt can be made and every lock
// is proved to engage under all errors at once (ProvedHardware); where there is none, the largest with which
// every hunt can be made. A smaller hunt asks for less room and takes less time, and what it has to cover is
// the errors' slide.
#pragma once

#include <optional>
#include <string>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/tolerance/errors.h"

namespace withy {

struct SmallerHunt {
  double radius_mm = 0.0;
  double instead_of_mm = 0.0;  ///< the scene's
  bool covers_errors = false;  ///< proved: every lock engages under all errors
  Standing standing;           ///< of the plan with it

  /// As a sentence without its full stop.
  std::string sentence() const;
};

/// Nothing where the plan has all its hunts, begins elsewhere, or no smaller radius can be swept either.
std::optional<SmallerHunt> find_smaller_hunt(const SearchProblem& problem, const Plan& plan,
                                             const ErrorSizes& sizes, const Effort& effort = Effort());

}  // namespace withy
