// SPDX-License-Identifier: GPL-3.0-or-later
// The runs of a study over all cores: each run on one thread, several runs at once (oneTBB).
#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "planner/study/journal.h"
#include "planner/study/study.h"

namespace withy {

struct StudyWork {
  const Study& study;
  std::vector<std::size_t> runs;  ///< indices, ascending; started in this order
  int threads = 0;                ///< 0: one for each core
  /// Called once for each run that is finished, from any thread.
  std::function<Result<void>(const RunRecord&)> record;
};

/// Runs them all. Stops starting runs at the first error (a mesh that can't be used, a record that can't be
/// written), which it returns.
Result<void> run_study(const StudyWork& work);

}  // namespace withy
