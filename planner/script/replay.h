// SPDX-License-Identifier: GPL-3.0-or-later
// Replaying a script: the body recomputed from the unit's axes alone, and judged again.
//
// Nothing of the planner's own states is used. Row by row the pulls give the free region's bend
// (tendon_inverse.h), the insertion gives the depth, and the locks freeze what the body has at their row.
// Between two rows the axes move linearly; the body then follows a curved way in (d, u), which is cut into
// pieces that a straight way in (d, u) describes within a known distance, and each piece is verified with
// that distance added (planner/proof/lemmas/verify.h). A switch is checked against the latch, the curvature
// on its two sides and the row's own field.
//
// Rows of the action "hunt" are a sweep: the field may be on while they move, and each move is verified
// twice, with the lock that switches next released all the while and with it engaged since the sweep began.
// At its end the track that the pulls made is held against what the latch's hunt is to cover (replay_hunt.h).
//
// A script is allowed what the scripts' precision takes: kScriptDeviation_mm in pull and clearance, and
// rounding to kScriptStep. A clearance is called too small when it is below the required one by more than
// that and the verification's slack.
#pragma once

#include <optional>
#include <string>

#include "geometry/numbers/numbers.h"
#include "planner/effort/effort.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/scene/scene.h"
#include "planner/script/script.h"
#include "planner/script/waypoints.h"

namespace withy {

/// So much less than the required clearance may be verified of a script (mm).
inline constexpr double kReplayClearanceSlack_mm = kScriptDeviation_mm + kClearanceSlack_mm;

enum class ReplayCause {
  axes,            ///< the script's tendons or coils are not the scene's
  start,           ///< the first row is not the start
  pulls_disagree,  ///< no bend has these pulls
  insertion,
  curvature,
  stroke,
  tendon_plane,
  tension,
  lock_load,
  several_switches,  ///< two locks change in one row
  latch,             ///< the bend is between notches
  snap,              ///< a lock lets go with different curvatures on its two sides
  field,             ///< the row's field does not switch the lock, or another with it, or is too strong
  field_while_moving,
  hunt,      ///< a sweep that ends elsewhere, switches no lock, or does not cover what the latch's hunt is to
             ///< cover
  currents,  ///< the coil currents make another field
  clearance,
  target,    ///< no row brings the tip to the target
  way_back,  ///< the script does not end as it began
};

/// What is wrong, and where in the script.
struct ReplayFault {
  ReplayCause cause = ReplayCause::axes;
  int line = 1;  ///< of the script's file
  std::string problem;
  std::string remedy;
};

struct ReplayReport {
  std::optional<ReplayFault> fault;  ///< the first; the rest of the report then covers what came before it
  /// The row on the way to which the task's effort ended it: then nothing is said of the rows from there on.
  std::optional<int> cut_short_at_line;
  /// Verified lower bound over all motions; infinite while the body is never past the entry plane.
  double clearance_mm = kInfinity;
  double tip_error_mm = kInfinity;  ///< least over all rows
  int tip_line = 1;                 ///< the row's
  double pull_max_mm = 0.0;
  double tension_max_N = 0.0;
  double lock_moment_max_Nmm = 0.0;
  double field_max_mT = 0.0;
  double field_reserve = kInfinity;  ///< least of any switch
  int switches = 0;
  int hunts = 0;  ///< switches with a sweep before them

  bool good() const { return !fault && !cut_short_at_line; }
};

/// Where a script begins, and what it is for.
struct ReplayTask {
  State from = start_state();
  bool only_out =
      false;  ///< no target, and it may end anywhere at insertion 0: a way out past a lock that sticks
  Effort effort = {};
};

/// Precondition: the scene has tendons, the script at least one row, `verifier` is for the scene's design
/// with the script's lock count.
ReplayReport replay(const Script& script, const Scene& scene, const MotionVerifier& verifier,
                    const ReplayTask& task = {});

}  // namespace withy
