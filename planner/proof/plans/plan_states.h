// SPDX-License-Identifier: GPL-3.0-or-later
// The states of a plan as boxes of rounding's size, and what the parts of the check share.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "planner/proof/plans/plan_file.h"
#include "planner/proof/recheck/check_proof.h"

namespace withy::recheck {

// A curvature (1/mm) counts as equal to another within this: what moves the tip of a metre by a hundredth of
// a mm.
inline constexpr double kEqualCurvature_per_mm = 2e-8;
// Bends (rad) count as the same within this: curvatures of 12 digits times lengths of 1e3 mm.
inline constexpr double kSameBend_rad = 1e-8;
inline constexpr double kSamePlace_mm = 1e-9;

/// What a part of the check found: nothing, or what ends it.
using Finding = std::optional<Outcome>;
inline Finding refuted(std::string why) {
  return Outcome{Verdict::does_not_hold, std::move(why)};
}
inline Finding open_still(std::string why) {
  return Outcome{Verdict::could_not_decide, std::move(why)};
}

/// A plan with its states placed; constant once they are.
struct PlanInHand {
  const FilePlan& plan;
  const Scene& scene;
  const Robot& robot;
  const Wall& wall;
  const Limits& limits;
  const CheckSettings& settings;
  Lattice lattice;
  std::vector<StateBox> boxes;
  std::vector<std::shared_ptr<const Body>> bodies;
};

/// Places every state: its regions, its limits, and what the file says of pulls, tensions, lock loads and
/// tip.
Finding place_states(PlanInHand& hand);

/// Do two bends differ by no more than rounding?
bool same_bend(const Interval2& a, const Interval2& b);

}  // namespace withy::recheck
