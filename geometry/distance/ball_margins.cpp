// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/ball_margins.h"

#include "geometry/distance/lanes.h"

namespace withy {

BallMarginsLoop ball_margins_loop() {
#if defined(__x86_64__)
  if (cpu_has_avx2()) return &ball_margins_avx2;
#endif
  return &ball_margins_portable;
}

}  // namespace withy
