// SPDX-License-Identifier: GPL-3.0-or-later
// `withy plan --from`: from a state that a user gives, on to the target or back out.
#pragma once

#include <filesystem>

#include "planner/search/ask/scene_problem.h"
#include "tools/withy/command.h"
#include "tools/withy/progress.h"

namespace withy {

/// The state of a file, where a plan of the problem may begin in it.
Result<State> read_start(const std::filesystem::path& file, const SearchProblem& problem);

struct OutOptions {
  std::filesystem::path scene;
  std::filesystem::path from;    ///< the state's file
  std::filesystem::path folder;  ///< for script.csv, script.ngc and start.json; empty: nothing is written
  double budget_s = 0.0;
};

/// Plans the way back out alone, says what came of it and writes its scripts.
ExitStatus plan_out(const PreparedScene& prepared, const SearchProblem& problem, const OutOptions& options,
                    Progress& progress);

}  // namespace withy
