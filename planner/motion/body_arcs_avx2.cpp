// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/body_arcs_loops.h"

namespace withy {

void body_points_avx2(const BodyArc* arcs, std::int32_t count, const float* offset, float* x, float* y, float* z) {
  WITHY_LANES_NAMESPACE::points(arcs, count, offset, x, y, z);
}

}  // namespace withy
