// SPDX-License-Identifier: GPL-3.0-or-later
// The hunt of a lock action as motions of the body: which states it passes, and whether they are allowed.
//
// Lock i stands in the free region; f_p is the exposed flexible length (mm) from the region's start to the
// lock, f that of the whole region. A corner w of the track (hunt.h) asks for the slide w beyond the planned
// one, so
//     released   u = u_0 + w / (r_b f_p)                 (1)   the whole free region bends, and
//     latched    u = u_0 + w f / (r_b f_p (f - f_p))     (2)   only what is beyond the lock does:
// a script goes on along its track when the latch has dropped in, and what the tendons then draw (to first
// order in the bend of a gap between disks, exactly without disks) has to go into the distal part alone. Both
// sweeps are straight motions in (d, u) from corner to corner, and each is verified like any other: a lower
// bound of the clearance over all of it, tension, stroke and lock load over all of it, curvature.
//
// The switching field is on during both, its currents unchanged. In every pose of either sweep they must
// still have a reserve of 1, that is turn the lock and keep the others on their stops (field.h), and keep
// their field within the limit at every lock: proved over all of it (hunt_field.h).
//
// No sweep is needed, or none can be made, where
//   - no flexible length is exposed before the lock in its region: with the guide its slide is that of the
//   last
//     engaged lock, or zero, whatever the tendons do, and it switches at any u;
//   - the lock stands in a frozen region: a lock beyond it holds the slides, and the tendons don't move them.
#pragma once

#include <string>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/motion/action.h"
#include "planner/motion/hunt_field.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/segment/coils.h"
#include "planner/segment/hardware.h"
#include "planner/segment/hunt.h"

namespace withy {

/// The hunt of one lock action.
struct LockHunt {
  HuntShape shape = HuntShape::none;
  double radius_mm = 0.0;
  int turns = 0;
  int corners_per_turn = 0;
  double spacing_mm = 0.0;
  /// Verified lower bound over both sweeps; infinite while the body is never past the entry plane.
  double clearance_mm = kInfinity;
  /// Why it can't be made, or why there is nothing to sweep (shape none), as half a sentence; else empty.
  std::string objection;
  bool field_lost = false;  ///< the objection is to the currents, all else is in order

  /// Verified: the sweep may be run.
  bool made() const { return shape != HuntShape::none && objection.empty(); }
  /// A sweep is called for and can't be made.
  bool missing() const { return shape != HuntShape::none && !objection.empty(); }
};

/// The track of lock `lock`'s hunt in `before`, the lock released; `none` where the design has no hunt, or
/// the hunt no sweep.
HuntTrack lock_hunt_track(const Design& design, const State& before, int lock);

/// The states at the corners of `track` while the lock is released, `before` first and last.
std::vector<State> hunt_states(const Design& design, const State& before, int lock, const HuntTrack& track);

/// The same once the lock has engaged in `before`. Precondition: something beyond the lock bends.
std::vector<State> latched_hunt_states(const Design& design, const State& before, int lock,
                                       const HuntTrack& track);

/// Both sweeps of engaging `lock` in `before`: open, and dropped in from the start where something beyond the
/// lock bends. None where nothing is swept.
std::vector<SweepCorners> lock_hunt_sweeps(const Design& design, const State& before, int lock);

/// Judges the hunt of engaging `lock` in `before`. `hardware`: null where the tendons' limits are not heeded.
/// `current_A`: of the switch, one for each coil; null where the field is not heeded.
LockHunt judge_lock_hunt(const MotionVerifier& verifier, const Hardware* hardware, double required_mm,
                         const State& before, int lock, const Currents* current_A = nullptr);

}  // namespace withy
