// SPDX-License-Identifier: GPL-3.0-or-later
// Is a plan what it says? Kinematics, limits, legality of every action, hunts, target and clearance, in
// intervals.
//
// The plan is a chain of actions from the start (drawn back, straight, all locks released) to the target and
// back. Its states, motions, switches and hunts have files of their own. Numbers of a file are decimals: a
// bend counts as on its notch, a curvature as equal, a limit as kept within the tolerances named in the
// sources. A plan is held to all that its scene limits, whatever it says that it was held against; what the
// scene leaves out is named in the sentence.
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
