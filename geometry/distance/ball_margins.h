// SPDX-License-Identifier: GPL-3.0-or-later
// How far a row of balls is from the wall, by the distance field, in one pass: the planner's innermost loop.
//
// Ball j has centre p_j, radius R_j, and may move by up to slack_j. L_j is the field's lower bound of D(p_j)
// (geometry/distance/distance_field.h), p_j projected onto z = 0 if it lies behind the entry plane; the
// projection brings no two points farther apart, so L_j - slack_j bounds D wherever the ball's centre may go
// past the plane. A ball whose z_j + slack_j <= 0 stays behind the plane and has no constraint.
//
// Plain data only; two builds of the loop (geometry/distance/lanes.h). Units: mm, frame E.
#pragma once

#include <cstdint>

#include "geometry/distance/distance_field_view.h"

namespace withy {

/// Arrays hold a multiple of kLanes balls; repeat the last one to fill them up.
struct Balls {
  const float* x;
  const float* y;
  const float* z;
  const float* radius;
  const float* slack;
  std::int32_t count;
};

/// Indices are -1, and margins infinite, when no ball qualifies.
struct BallMargins {
  float least = 0.0F;         ///< least L_j - R_j - slack_j over balls that may be past the entry plane
  std::int32_t worst = -1;    ///< whose it is
  float deepest = 0.0F;       ///< least L_j - R_j + slack_j over balls that are past it wherever they move
  std::int32_t suspect = -1;  ///< whose it is: the ball that most likely is blocked wherever it moves
};

/// Writes L_j to lower[j] (unconstrained balls: of no meaning).
using BallMarginsLoop = void (*)(const FieldView& view, const Balls& balls, float* lower, BallMargins& found);

void ball_margins_portable(const FieldView& view, const Balls& balls, float* lower, BallMargins& found);
#if defined(__x86_64__)
void ball_margins_avx2(const FieldView& view, const Balls& balls, float* lower, BallMargins& found);
#endif

/// The build that this machine runs.
BallMarginsLoop ball_margins_loop();

}  // namespace withy
