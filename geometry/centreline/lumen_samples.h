// SPDX-License-Identifier: GPL-3.0-or-later
// How wide the lumen is where: points of its side walls, each with a half width.
//
// Every side face gives its centroid, with LumenWalls::half_width there; faces longer than the lumen is wide
// are halved across their longest edge and sampled again. So does the middle of each edge that the lumen goes
// round, a neck's ring for one, straight in between its two faces: they look past what is beside it. Each
// opening adds its rim's radius. Samples closer together than the lumen is wide say the same thing twice: of
// those in one cube of about that size the narrowest stays. A mesh of very many faces is sampled by every
// n-th.
//
// The ball about any point p of the lumen that just touches the side wall does so at some point w, and the
// half width at w is at least the ball's radius: so p lies within half_width(w) of w. This is why a size that
// holds within kReach half widths of each sample holds in all of the lumen, samples standing close enough.
//
// Units: mm. Frame: E.
#pragma once

#include <vector>

#include <Eigen/Core>

#include "geometry/centreline/lumen_walls.h"
#include "planner/effort/effort.h"

namespace withy {

struct LumenSample {
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  double half_width_mm = 0.0;
};

/// A sample speaks for what is within this many of its half widths: one for the ball above, one for the way
/// to the next sample.
inline constexpr double kReach = 2.0;

std::vector<LumenSample> sample_lumen(const Channel& channel, const LumenWalls& walls, const Effort& effort);

}  // namespace withy
