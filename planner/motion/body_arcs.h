// SPDX-License-Identifier: GPL-3.0-or-later
// Points along a body of constant-curvature arcs, eight side by side.
//
// A stretch of curvature kappa bends within one plane, spanned by its tangent t and the direction e that it
// bends to; n = t x e stays. A point at arc length q from the stretch's middle is, with theta = kappa q,
//     p + e q theta (1 - cos theta) / theta^2 + t q sin(theta) / theta
// (planner/segment/shape.h, about the middle so that theta is at most half the stretch's angle). Both ratios
// are polynomials in theta^2, Taylor's, smooth at kappa = 0. For |theta| <= kLargestHalfAngle their remainder
// is below 2^-24 (points) and 1e-12 (frames, which are carried in double precision).
//
// Plain data only; two builds of the loop (geometry/distance/lanes.h). Units: mm, rad, frame E.
#pragma once

#include <cstdint>

namespace withy {

inline constexpr double kLargestHalfAngle = 3.2;

/// Most stretches that a body is made of.
inline constexpr int kMaxStretches = 64;

/// One arc, or straight span (kappa = 0), and the stations on it.
struct BodyArc {
  std::int32_t first;  ///< stations [first, last)
  std::int32_t last;
  float shift;                ///< added to a station's offset to make it q
  double half;                ///< of the arc's length
  double kappa;               ///< kappa half <= kLargestHalfAngle
  double turn_cos, turn_sin;  ///< of the angle by which the plane of bending turns about t before this arc
};

/// How far a point may move when insertion and curvature do (planner/proof/lemmas/motion_bounds.h): at
/// station s
///   least + turning clamp(s - exposed_from, 0, turning_reach) + bending max(s - bending_from, 0)^2.
struct BodyAllowance {
  float least;
  float turning;
  float exposed_from;
  float turning_reach;
  float bending;
  float bending_from;
};

struct BodyLoops {
  /// Writes stations' points, for a body that starts on the z axis at `start_z`, along it, with e along x.
  /// offset[j] is a station less its stretch's middle; it and the points are readable and writable for
  /// kLanes - 1 past the last station. At most kMaxStretches arcs.
  void (*points)(const BodyArc* arcs, std::int32_t count, double start_z, const float* offset, float* x,
                 float* y, float* z);
  /// Writes the allowance of `count` stations (a multiple of kLanes).
  void (*allowances)(const BodyAllowance& allowance, const float* station, std::int32_t count, float* slack);
};

extern const BodyLoops kBodyLoopsPortable;
#if defined(__x86_64__)
extern const BodyLoops kBodyLoopsAvx2;
#endif

/// The build that this machine runs.
const BodyLoops& body_loops();

}  // namespace withy
