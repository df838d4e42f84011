// SPDX-License-Identifier: GPL-3.0-or-later
// What `plan` says of a plan after its verdict, and `replay` of a script: values against their limits.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "planner/plan/answer.h"
#include "planner/segment/design.h"

namespace withy {

/// One line, what it is about in front.
std::string figure_line(std::string_view about, const std::string& text);

/// The largest values of a plan or script; absent: not checked.
struct LimitFigures {
  std::optional<double> pull_mm;
  std::optional<double> tension_N;
  std::optional<double> lock_moment_Nmm;
  std::optional<double> field_mT;
  std::optional<double> switch_reserve;  ///< least of all switches
  int switches = 0;
  int hunts = 0;                             ///< switches with a sweep before them
  std::optional<double> hunts_clearance_mm;  ///< the least of the sweeps; infinite in front of the entry
};

/// Those of a plan.
LimitFigures figures_of(const Plan& plan);

/// The table of them against the design's limits.
std::string limits_table(const Design& design, const LimitFigures& figures);

/// Chance to fail and reserve, with what limits it: two lines. Empty where a plan carries none.
std::string standing_lines(const Plan& plan);

}  // namespace withy
