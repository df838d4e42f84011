// SPDX-License-Identifier: GPL-3.0-or-later
// Does a plan hold? Asked of every plan before a file for the actuation unit or a page is made from it.
//
// Of a plan that was read nothing is believed but its states and actions: a plan file is text, and a typo in
// it must not reach the bench. Of a plan that make_plan returned the clearances are believed, and the limits
// of the hardware along its motions: they were verified there.
//
// Order: it begins and ends
// straight, drawn back and released, each action leads on from where the one before it ended, the way in
// stands before the way out and ends at the target. Motions: each moves what its kind says, keeps every limit
// of segment, carriage and hardware all along (hardware.h), and is clear of the wall by what is required
// (verify.h). Switches: the lock, the latch (latch.h), no snap, a field that switches that lock alone
// (replay_checks.h), and where a hunt is to be made, all its motions (lock_hunt.h).
#pragma once

#include <optional>
#include <string>

#include "planner/plan/answer.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/scene/scene.h"

namespace withy {

struct PlanDefect {
  int action = -1;  ///< index of the action that does not hold; -1: the plan as a whole
  std::string problem;
  std::string remedy;
};

/// What a plan is held against. The references must outlive the call.
struct PlanQuestion {
  const Scene& scene;
  const MotionVerifier& verifier;  ///< of the design that the plan is for, in the scene's channel
  double required_clearance_mm = 0.0;
};

/// The first thing about a plan that was read which does not hold; nothing when it holds. Precondition: its
/// actions' indices lead to states, its states fit the design.
std::optional<PlanDefect> plan_defect(const Plan& plan, const PlanQuestion& question);

/// The same of a plan that make_plan returned. The clearances that it carries are held against what is
/// required; no motion is verified again.
std::optional<PlanDefect> made_plan_defect(const Plan& plan, const PlanQuestion& question);

}  // namespace withy
