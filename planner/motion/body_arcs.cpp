// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/body_arcs.h"

#include "geometry/distance/lanes.h"

namespace withy {

const BodyLoops& body_loops() {
#if defined(__x86_64__)
  if (cpu_has_avx2()) return kBodyLoopsAvx2;
#endif
  return kBodyLoopsPortable;
}

}  // namespace withy
