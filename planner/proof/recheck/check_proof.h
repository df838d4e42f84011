// SPDX-License-Identifier: GPL-3.0-or-later
// Does a certificate prove that the target can't be reached?
//
// H is a closed set of states. Were there a legal way from the start, it would end in a legal state at the
// target; so what has to be shown is
//
//   1. every legal state at a target lies in H;
//   2. no motion leads out of H (or into it): its rim within each leaf is blocked. A motion that leaves H
//   does so for the
//      last time in a state of H which has states outside H as near as you please, all in one slice of
//      constant frozen bends. Cells are boxes, so that state lies on a face shared by a part in H and one
//      that is not (or by a part in H and the end of the leaf's box, which matters unless insertion or
//      curvature end there too). It is enough that every point of those faces is blocked; faces across a
//      frozen coordinate are crossed by no motion;
//   3. no lock switch leads out of H or into it: where one end of a switch may be in H and the other may be
//   outside, the
//      states are blocked (the body stands the same at both ends), or the field is proved not to switch the
//      lock (one way or back: a plan comes back by the way it went);
//   4. the start is not in H.
//
// With levels (claim "fewer_switches") H_k holds what reaches the target with k switches left: 1 and 2 for
// each, 3 from level k to k + 1, 4 for the last.
//
// Switches (scenes/MODEL.md, section 8). In a leaf a with lock i released and b, the same with i engaged,
// each state of a turns into one of b whose bend up to i is theta = ratio theta_r (i within frozen region r;
// ratio = flexible length up to i over all of it) or u f (i in the free region); it is a switch where that
// bend is on b's notches, and every switch is one of these, engaging one way and releasing the other: equal
// curvature on both sides of i means just that. With no exposed flexible length proximal to i in its region
// theta is 0 whatever the curvature.
#pragma once

#include <functional>

#include "geometry/channel/wall_distance.h"
#include "planner/proof/recheck/blocked.h"
#include "planner/proof/recheck/field.h"
#include "planner/proof/recheck/leaves.h"
#include "planner/proof/recheck/outcome.h"

namespace withy::recheck {

struct CheckSettings {
  /// Told about now and then: what is being done, and how much of it is done (0 to 1; negative: not
  /// known). From several threads.
  std::function<void(const std::string&, double)> progress = [](const std::string&, double) {};
  std::function<bool()> stop = [] { return false; };
  /// The clearance (mm) that is asked about; a proof for more proves nothing of it. Absent: the scene's.
  std::optional<double> clearance_mm = std::nullopt;
};

struct ProofReport {
  Outcome outcome;
  std::int64_t looks = 0;  ///< boxes that were looked at
};

/// Checks a certificate against a scene whose channel is `distance`'s: hashes, header and all four
/// conditions.
ProofReport check_proof(const Certificate& certificate, const Scene& scene, const WallDistance& distance,
                        const CheckSettings& settings);

/// The robot that a scene describes, with so many locks, in a layout of their own where one is given.
Result<Robot> robot_of(const Scene& scene, int locks, double clearance_mm,
                       const std::optional<ProvedLayout>& layout = std::nullopt);

}  // namespace withy::recheck
