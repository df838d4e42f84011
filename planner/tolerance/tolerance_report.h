// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy tolerance` found: everything a plan is held against, and how it is written down.
#pragma once

#include <array>
#include <string>

#include <tl/expected.hpp>

#include "planner/effort/cut_short.h"
#include "planner/scene/scene.h"
#include "planner/tolerance/monte_carlo.h"
#include "planner/tolerance/worst_case.h"

namespace withy {

struct ErrorVerdict {
  double size = 0.0;                  ///< as assumed; mm, rad or a share
  double clearance_lost_mm = 0.0;     ///< proved clearance lost to this error alone
  double tip_moved_mm = 0.0;          ///< most that it alone adds to the tip error
  SensitivityIndex tip_share;         ///< first-order Sobol index of the tip error
  double stands_off_the_wall = 0.0;   ///< largest size, alone, with which the plan is proved to keep clear
  double stands_at_the_target = 0.0;  ///< and to stay within the target's tolerance
};

struct ToleranceReport {
  std::string plan_file;
  std::string scene_file;
  std::string scene_sha256;
  int locks = 0;
  std::uint64_t seed = 1;
  bool usual_sizes = true;            ///< the sizes are withy's, not the user's
  double clearance_planned_mm = 0.0;  ///< the plan's own figure; infinite where it is never inside
  double clearance_kept_mm = 0.0;     ///< proved, under all errors at once
  double tip_tolerance_mm = 0.0;
  double tip_error_planned_mm = 0.0;
  double tip_error_most_mm = 0.0;  ///< proved, under all errors at once
  std::array<ErrorVerdict, kErrorKinds> errors;
  MonteCarloResult monte_carlo;
};

/// Holds a plan against errors of these sizes. `plan` belongs to `problem`. The settings' effort is for all
/// of it, not for the draws alone.
tl::expected<ToleranceReport, CutShort> make_tolerance_report(const SearchProblem& problem, const Plan& plan,
                                                              const ErrorSizes& sizes,
                                                              const MonteCarloSettings& settings);

std::string tolerance_table(const ToleranceReport& report);
std::string tolerance_json(const ToleranceReport& report);
std::string tolerance_csv(const ToleranceReport& report);

}  // namespace withy
