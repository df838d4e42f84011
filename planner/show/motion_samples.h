// SPDX-License-Identifier: GPL-3.0-or-later
// A plan's course between its states, for the eye: where along each action the body is nearest the wall, and
// what the tendons do there.
//
// Clearance at a moment is min over stations s with z > 0 of D(p(s)) - R(s). D is 1-Lipschitz in the point
// and a point moves by at most |ds| along the centreline, so between stations a and b no value lies below
// (D_a + D_b - (b - a)) / 2 - R: stretches that can't hold the least are left out, the others are halved down
// to kStationStep_mm, and the best place is then narrowed down to kStationResolution_mm. The result is never
// below the true least, and above it only where the wall has a spike narrower than the step. The plan's
// verified bounds are the figures to trust.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "planner/plan/answer.h"
#include "planner/scene/scene.h"
#include "planner/segment/design.h"

namespace withy {

/// Stretches of station shorter than this are not halved again (mm): below any lumen's features that a plot
/// could show.
inline constexpr double kStationStep_mm = 0.5;

/// How finely the best place is narrowed down (mm).
inline constexpr double kStationResolution_mm = 0.01;

/// Moments of a motion at which it is sampled: enough for a smooth line across a plot.
inline constexpr int kMotionMoments = 25;

/// Where the body is nearest the wall.
struct TightSpot {
  double clearance_mm = 0.0;
  double station_mm = 0.0;
  Eigen::Vector3d wall_S = Eigen::Vector3d::Zero();  ///< nearest point of the wall
};

/// The nearest place of a body; nothing when no station lies past the entry plane.
std::optional<TightSpot> tightest_spot(const Design& design, const State& state, const WallDistance& wall);

struct ActionSamples {
  std::vector<double> t;  ///< share of the action done, 0 to 1
  std::vector<std::optional<TightSpot>> spot;
  std::vector<std::vector<double>> pull_mm;  ///< one list for each moment; none without [tendons]
  std::vector<std::vector<double>> tension_N;
  /// Of a hunt that is made: the free region's curvature (1/mm) at each moment, the lock released until the
  /// last but one; empty for any other action.
  std::vector<Eigen::Vector2d> swept_u;
  double seconds =
      0.0;  ///< how long the action takes at the unit's rates; at the page's own where the scene has none
};

/// Are action times the unit's own? They need its rates and the tendons' pulls.
bool has_rates(const Scene& scene, const Design& design);

/// One for each action of the plan.
std::vector<ActionSamples> sample_motions(const Scene& scene, const Design& design, const Plan& plan,
                                          const WallDistance& wall);

}  // namespace withy
