// SPDX-License-Identifier: GPL-3.0-or-later
// The coil currents of least sum of squares that meet linear demands within limits:
//     min |I|^2   with   a_r . I >= c_r for every demand r,
//                        |G_k I| <= B_max at every place k,   |I_c| <= most_c for every coil c. (1)
//
// Without the limits the optimum is I = sum lambda_r a_r with lambda_r >= 0 over demands that are met exactly
// (Karush-Kuhn-Tucker). With three currents every set of one, two or three demands is tried
// (least_norm_point); with others it is the least distance programme of C. L. Lawson and R. J. Hanson,
// "Solving Least Squares Problems", 1974, chapter 23, solved by their non-negative least squares.
//
// With the limits, half-spaces that hold whatever a limit allows are added one after another where the
// optimum so far breaks it: g . I <= B_max with g = G_k^T b, b the unit vector along G_k I, since b . G_k I'
// <= |G_k I'|. Each optimum is that of a set which holds all of (1), so when such a set is empty, (1) has no
// solution.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/coils.h"

namespace withy {

/// All B with normal . B >= at_least; `normal` is a unit vector.
struct HalfSpace {
  Eigen::Vector3d normal;
  double at_least = 0.0;
};

/// The point of the half-spaces' common part that is nearest to the origin; nothing when they have none in
/// common.
///
/// At the nearest point B = sum lambda_i normal_i with lambda_i >= 0 over half-spaces that are active there
/// (Karush-Kuhn-Tucker), and by Caratheodory at most three independent ones suffice in three dimensions. So
/// every set of one, two or three half-spaces is tried: the point where all of the set are active, of least
/// norm; it is the answer when its multipliers are not negative and it lies in all half-spaces, and the
/// answer is unique because |B|^2 is strictly convex.
std::optional<Eigen::Vector3d> least_norm_point(std::span<const HalfSpace> half_spaces);

/// row . I >= at_least.
struct CurrentDemand {
  Currents row;  ///< mT/A
  double at_least = 0.0;
};

/// The same in any number of dimensions, by least distance programming. Nothing when the demands have no
/// point in common (or none within a million times the farthest single demand). Precondition: rows of one
/// size.
std::optional<Currents> least_distance_point(std::span<const CurrentDemand> demands);

/// What currents may be.
struct CurrentLimits {
  std::vector<CoilGains> gains;  ///< at each place where the field is limited
  std::vector<double> most_mT;   ///< there
  Currents most_A;               ///< one for each coil; infinite where not limited; empty: none is
  bool same_everywhere = false;  ///< the field's strength is one constant times |I|: gains.front() tells it
};

enum class CurrentsVerdict {
  found,
  none,      ///< no currents meet demands and limits
  unsettled  ///< not settled in the cuts allowed; within rounding of a limit, as a rule
};

struct LeastCurrents {
  CurrentsVerdict verdict = CurrentsVerdict::none;
  Currents current_A;  ///< found only
};

/// Solves (1). Limits count as met when passed by no more than kCurrentRounding of themselves.
LeastCurrents least_currents(std::span<const CurrentDemand> demands, const CurrentLimits& limits);

/// Share by which a limit may be passed: rounding only.
inline constexpr double kCurrentRounding = 1e-9;

}  // namespace withy
