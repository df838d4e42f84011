// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/ball_margins_loops.h"

namespace withy {

void ball_margins_avx2(const FieldView& view, const Balls& balls, float* lower, BallMargins& found) {
  WITHY_LANES_NAMESPACE::margins(view, balls, lower, found);
}

}  // namespace withy
