// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/body_arcs.h"

#include "geometry/lanes.h"

namespace withy {

BodyArcsLoop body_arcs_loop() {
#if defined(__x86_64__)
  if (cpu_has_avx2()) return &body_points_avx2;
#endif
  return &body_points_portable;
}

// Taylor's series to x^24 in Horner's form; at x = 3.2 the next term is below 1e-13.
ArcRatios arc_ratios(double angle2) {
  constexpr int kTerms = 12;
  double sine = 1.0;
  double versine = 1.0;
  for (int k = kTerms; k > 0; --k) {
    sine = 1.0 - sine * angle2 * (1.0 / ((2.0 * k) * (2.0 * k + 1.0)));
    versine = 1.0 - versine * angle2 * (1.0 / ((2.0 * k + 1.0) * (2.0 * k + 2.0)));
  }
  return {sine, 0.5 * versine};
}

}  // namespace withy
