// SPDX-License-Identifier: GPL-3.0-or-later
// Times of many runs.
#pragma once

#include <functional>

#include "tools/bench/support/spread.h"

namespace withy::bench {

/// Calls `run(i)`, i = 0, 1, 2, ..., for about `seconds` (at least three samples) and returns the
/// microseconds of one call. A sample is `batch` calls in a row, so that reading the clock does not count.
Spread time_calls(const std::function<void(int)>& run, int batch, double seconds);

/// Keeps a result from being optimised away.
void keep(double value);

}  // namespace withy::bench
