// SPDX-License-Identifier: GPL-3.0-or-later
// Points along a body of constant-curvature arcs, eight side by side.
//
// A region of curvature kappa bends within one plane, spanned by its tangent t and the direction e that it
// bends to. A point at arc length q from the middle of an arc is, with theta = kappa q,
//     p + e q theta (1 - cos theta) / theta^2 + t q sin(theta) / theta
// (planner/segment/shape.h, about the middle so that theta is at most half the arc's angle). Both ratios are
// polynomials in theta^2, Taylor's to theta^16, smooth at kappa = 0; for |theta| <= kLargestHalfAngle their
// remainder is below 2^-24.
//
// Plain data only; two builds of the loop (geometry/lanes.h). Units: mm, rad, frame E.
#pragma once

#include <cstdint>

namespace withy {

inline constexpr double kLargestHalfAngle = 3.2;

/// One arc (or straight span: kappa = 0), and the stations on it.
struct BodyArc {
  std::int32_t first = 0;  ///< stations [first, last)
  std::int32_t last = 0;
  float kappa = 0.0F;
  float shift = 0.0F;  ///< added to a station's offset to make it q
  float p[3] = {};     ///< at the arc's middle
  float e[3] = {};
  float t[3] = {};
};

/// Writes stations' points; offset[j] and the points are readable and writable for kLanes - 1 past the last station.
using BodyArcsLoop = void (*)(const BodyArc* arcs, std::int32_t count, const float* offset, float* x, float* y,
                              float* z);

void body_points_portable(const BodyArc* arcs, std::int32_t count, const float* offset, float* x, float* y,
                          float* z);
#if defined(__x86_64__)
void body_points_avx2(const BodyArc* arcs, std::int32_t count, const float* offset, float* x, float* y, float* z);
#endif

/// The build that this machine runs.
BodyArcsLoop body_arcs_loop();

/// The two ratios at half-angles up to kLargestHalfAngle, in double precision: sin(x)/x and (1 - cos x)/x^2
/// given x^2.
struct ArcRatios {
  double sine;
  double versine;
};
ArcRatios arc_ratios(double angle2);

}  // namespace withy
