// SPDX-License-Identifier: GPL-3.0-or-later
// Is a plan what it says? Kinematics, limits, legality of every action, target and clearance, in intervals.
//
// The plan is a chain of actions from the start (drawn back, straight, all locks released) to the target and
// back. A motion moves insertion and the free curvature linearly and keeps every frozen bend; over a share
// [t0, t1] of it the states lie in a box, whose stations lie in balls (body.h). Clear is: in each such ball D
// - R is at least what is asked for, by the exact distance at its centre less its radius, where no opening
// but the entry's is near; motion and body are cut until it is. Numbers of a file are decimals: a bend counts
// as on its notch, a curvature as equal, a limit as kept within the tolerances named in the source.
#pragma once

#include "planner/proof/recheck/check_proof.h"

namespace withy::recheck {

struct PlanReport {
  Outcome outcome;
  std::string what;  ///< what was checked, as a sentence
};

Result<PlanReport> check_plan(const std::string& text, const std::string& file, const Scene& scene,
                              const WallDistance& distance, const CheckSettings& settings);

}  // namespace withy::recheck
