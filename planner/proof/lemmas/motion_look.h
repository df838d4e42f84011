// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 23 (parts of a motion). A first look at a whole motion: plainly clear of the wall, plainly not, or to
// be looked at closely (verify.h).
//
// The motion is halved again and again. Each part, its middle state with half of what it moves, is a cell of
// body_clearance.h: a proved lower bound over the cell proves the part clear, an upper bound over the cell
// below what is required proves that the motion is not. Coarse parts come first, so that a motion through a
// wall is found out early. A look costs some microseconds for each part.
//   Statement: `clear` where lemmas 8 and 9 prove every part clear, `not_clear` where lemma 8 proves one part
//   blocked. Premises: the parts cover the motion; both ends keep the limits, hence all states between do
//   (|u| is convex, and a frozen bend is tightest at the shallower end).
#pragma once

#include <memory>

#include "planner/proof/lemmas/body_clearance.h"

namespace withy {

/// Safe to use from several threads at once.
class MotionLook {
 public:
  enum class Finding { clear, not_clear, unsure };

  /// The design must outlive this.
  MotionLook(const Design& design, std::shared_ptr<const DistanceField> field);

  /// `clear`: the clearance is at least `plenty_mm` all the way; `not_clear`: it is below `required_mm`
  /// somewhere. Same locks and frozen bends in both states, both within_limits.
  Finding look(const State& from, const State& to, double required_mm, double plenty_mm) const;

 private:
  BodyCheck body_;
};

}  // namespace withy
