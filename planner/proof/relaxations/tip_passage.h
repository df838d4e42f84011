// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 24 (passage of the tip). Whatever the locks hold, the body ends in a ball, and that ball has to get
// to the target.
//
//   Statement: where tip_sealed_off says `sealed`, no legal state that comes from the start has its tip
//   within the tolerance of the target. Premises: none of the design but the tip's radius R; r = R + c > 0, c
//   the required clearance. Locks, latch, curvature, insertion, tendons and field have no say. Derivation: in
//   a legal state a tip past the entry plane (z > 0) has D >= r. Along a way from the start the tip moves
//   continuously (a switch moves nothing) and starts at z = 0. Space at z >= 0 is cut into closed cubes of
//   one edge whose lowest faces lie on the entry plane; a cube is *shut* where the most room in it (lemma 13)
//   is below r. Let Q be the open cubes that meet the target's ball and all open cubes that hang together
//   with them, cubes hanging together where they share a point. Suppose a way ends in the target's ball, in a
//   cube of Q, and follow it back to the last state with z <= 0, or to the start: past it, the tip is always
//   in an open cube, and cubes that it passes from one to the next share the point where it passes, so all
//   are in Q. The first of them touches the entry plane. So where the target's ball is past the entry plane
//   and no cube of Q touches that plane, there is no such way. Rounding: room as lemma 13 counts it; r is the
//   float below R, and c. A cube meets the ball where the nearest point of it is within the tolerance and
//   kPlaceRounding_mm.
//
// Units: mm, frame E.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/channel/wall_distance.h"
#include "geometry/distance/distance_field.h"
#include "planner/effort/effort.h"

namespace withy {

/// The ball that has to pass, and where to.
struct TipBall {
  double radius_mm = 0.0;     ///< of the tip
  double clearance_mm = 0.0;  ///< required
  Eigen::Vector3d target_E = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
};

struct TipPassage {
  bool sealed = false;     ///< proved: the tip can't get there
  bool no_room = false;    ///< proved: nowhere within the tolerance is there room for it
  std::int64_t cubes = 0;  ///< that were looked at
  /// After `sealed`: Q, cube (i, j, k) from (i, j, k) kTipCube_mm on.
  std::vector<std::array<std::int64_t, 3>> open = {};
};

/// Looks at so many cubes at most, those nearest to the entry first; then nothing is proved.
TipPassage tip_passage(std::shared_ptr<const DistanceField> field, const TipBall& ball,
                       std::int64_t most_cubes, const Effort& effort = Effort());

/// Proved: nowhere within the tolerance is there room for the tip. The distance to the wall's faces is
/// 1-Lipschitz and never less than D, so D is at most that at the target and the tolerance together.
bool no_room_at_target(const WallDistance& wall, const TipBall& ball);

/// Where a curve's tip may be at all (lemma 25), frame E.
struct TipBounds {
  double off_axis_mm = 0.0;  ///< at most so far beside the advance axis
  double deep_mm = 0.0;      ///< at most so far past the entry plane
};

/// Lemma 24, the other way round: the middles of cubes of kTipCube_mm that hold every place past the entry
/// plane which the tip of a legal state that comes from the start is at. Let P be the cubes that are open and
/// within the bounds, and hang together with one of them that touches the entry plane; followed from its last
/// state with z <= 0 on, the tip is always in cubes of P. Cubes about the bounds' limits count as within. The
/// box is to hold the lumen's places with z = 0. Nothing where there are more than `most_cubes` or the effort
/// is cut short.
std::optional<std::vector<Eigen::Vector3d>> tip_places(std::shared_ptr<const DistanceField> field,
                                                       const TipBall& ball, const TipBounds& bounds,
                                                       const Eigen::AlignedBox3d& box_E,
                                                       std::int64_t most_cubes,
                                                       const Effort& effort = Effort());

inline constexpr double kTipCube_mm = 1.0;

}  // namespace withy
