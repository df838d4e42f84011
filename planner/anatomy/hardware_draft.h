// SPDX-License-Identifier: GPL-3.0-or-later
// The segment, locks, tendons and coils of a scene that is yet to be edited, as TOML.
//
// The sizes are those of scenes/airway, common practice of bench hardware, no source. Where the opening, or
// the way from it to the target, is too narrow for them all lengths are scaled down, and what depends on them
// with its power of the length: rigidity with the fourth, magnets and their torques with the third, tensions
// with the second, as do a wire's strength and the tension that the tightest bend takes (rigidity times
// curvature over the tendons' radius). A thinner body so bends tighter: the strain of its outer fibres,
// radius over bend radius, stays.
#pragma once

#include <string>

#include <Eigen/Core>

#include "geometry/numbers/numbers.h"

namespace withy {

/// A thick body's radius, lock included, and the clearance that a draft asks for, mm.
inline constexpr double kDraftLockRadius_mm = 1.8;
inline constexpr double kDraftBodyRadius_mm = 1.5;
inline constexpr double kDraftClearance_mm = 0.2;

/// In a draft the last quarter of the segment has no lock, and so the last of the way to the target sees
/// none.
inline constexpr double kLocklessShare = 0.25;

/// The middle lines' way from the entry to a target.
struct WayToTarget {
  double depth_mm = 0.0;      ///< its length
  double narrowest_mm = 0.0;  ///< the least room on it with the entry, but for its last end
  Eigen::Vector3d narrowest_S = Eigen::Vector3d::Zero();  ///< where that is, scene frame
  double for_locks_mm = 0.0;                              ///< the least room on what of it locks come to
  double at_target_mm = kInfinity;                        ///< about the target, if it is a narrow place
};

/// The largest scale, 1 or less and a whole hundredth, whose body leaves a tenth of the room free all along
/// the way, and whose locks do where they come to, the clearance besides. 0 or less: there is none.
double hardware_scale(const WayToTarget& way);

/// How long the segment of a draft is for a way of this length.
double draft_length_mm(double depth_mm);

/// All tables from [clearance] on, with comments that say what the sizes follow from.
std::string hardware_toml(double scale, const WayToTarget& way);

/// A number of a draft: six significant digits.
std::string draft_number(double value);

}  // namespace withy
