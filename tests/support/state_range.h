// SPDX-License-Identifier: GPL-3.0-or-later
// Sets of states about one of them, for lemma 3.
#pragma once

#include "planner/proof/lemmas/motion_bounds.h"

namespace withy::testing {

/// The state's locks and frozen bends, insertions between two, |u_free| at most so much.
inline StateRange range_about(const State& state, double d_low_mm, double d_high_mm, double u_bound_per_mm) {
  State low = state;
  State high = state;
  low.insertion_mm = d_low_mm;
  high.insertion_mm = d_high_mm;
  high.u_free = {u_bound_per_mm, 0.0};
  return StateRange::of_motion(low, high);
}

}  // namespace withy::testing
