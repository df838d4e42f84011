// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: benches drawn with errors, and what becomes of a plan on
// each.
//
// Written apart from planner/tolerance and planner/stand, with a generator of its own: the error model is
// that of the scene's documentation. Positions and turns lie evenly in balls, backlash evenly in a disc b /
// r_b at each lock, all else evenly in an interval. Tendons set the bend of the whole segment, engaged locks
// the bend from the base to them, the free region gets what is left; with a guide no region bends past the
// limit for it. What an action's `slide_off_mm` names is added to the slides that errors make: what of it a
// bend would show to the bend's, the rest to each backbone's.
#pragma once

#include "tests/support/plain_distance.h"
#include "tests/support/plain_plan.h"

namespace withy_plain {

/// The most that each error may be (mm, rad, shares).
struct ErrorSizes {
  double backlash_mm = 0, pull_gain = 0.01, pull_offset_mm = 0.05, entry_mm = 0.2,
         entry_rad = 0.3 * 3.14159265358979323846 / 180, registration_mm = 0.2,
         registration_rad = 0.3 * 3.14159265358979323846 / 180, lumen_scale = 0.005, coil_gain = 0.05,
         magnet_strength = 0.05;
};

/// Benches on which each happened.
struct Drawn {
  int benches = 0;
  int misses = 0, disengaged = 0;  ///< of `benches`
  int sampled = 0;
  int touches = 0, overloads = 0;  ///< of the first `sampled`: the wall; a lock not switched, a limit broken
  int close = 0;  ///< of these: nearer to the wall than kClose_mm, those that touch among them
};

/// Nearer to the wall than this the planner may say that a bench touches (README, tolerance).
inline constexpr double kClose_mm = 0.05;

/// Draws benches and counts. The wall, the field and the limits, which take longer, are asked of the first
/// `sampled` only. Every motion is looked at in states between which no part of the body moves by more than
/// about a millimetre, every state at stations half a millimetre apart; fewer where the wall is too far for
/// more to matter. The sweeps of hunts are motions too, the lock open and engaged.
Drawn draw_benches(const Robot& robot, const ListedPlan& plan, const Wall& wall,
                   const Eigen::Vector3d& centre_E, const ErrorSizes& sizes, int benches, int sampled,
                   unsigned seed);

}  // namespace withy_plain
