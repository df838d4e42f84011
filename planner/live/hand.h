// SPDX-License-Identifier: GPL-3.0-or-later
// The segment driven by hand: one motion or lock switch after the other from the start, each proved allowed
// before it is made, all of them kept as a route.
//
// A motion that is not allowed is made as far as it is: to the last of shares::kHandHalvings halvings of its
// way from which nothing is against it, and the answer says what is. A lock engages on a notch only, so the
// free region is first bent to the nearest one; a lock is released where both sides have one curvature, so
// the free region is first bent to that. Motions of one kind that follow one another are kept as one where
// the straight motion between their ends is allowed too.
//
// Units: mm, 1/mm, rad. Frame: E.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "planner/search/route/route.h"

namespace withy {

/// What came of what the hand wanted.
struct HandOutcome {
  bool made = true;       ///< wholly
  std::string objection;  ///< why not, as half a sentence
};

class Hand {
 public:
  const Route& route() const { return route_; }
  const State& state() const { return route_.steps.empty() ? start_ : route_.steps.back().to; }

  /// Moves insertion and free curvature, both at once, to these. The judge is of the design that is driven.
  HandOutcome move(const StepJudge& judge, double insertion_mm, const Eigen::Vector2d& u_free);

  /// Engages the lock, or releases it.
  HandOutcome switch_lock(const StepJudge& judge, int lock);

  /// Takes the last step back.
  void back();

  void reset() { route_.steps.clear(); }

  /// Takes over a route. Nothing of it is looked at.
  void take(Route route) { route_ = std::move(route); }

  /// The first step that the judge does not allow (any more), and why; nothing when all stand.
  std::optional<std::pair<std::size_t, std::string>> fault(const StepJudge& judge) const;

 private:
  void add(const StepJudge& judge, RouteStep step);
  HandOutcome engage(const StepJudge& judge, int lock);
  HandOutcome release(const StepJudge& judge, int lock);

  State start_ = start_state();
  Route route_;
};

/// The free curvature at which released lock `lock`, in the free region, would engage: that of the nearest
/// notch. Nothing where the free region can't bring it onto one (no exposed length before it, or the lock
/// stands in a frozen region).
std::optional<Eigen::Vector2d> notch_curvature(const Design& design, const State& state, int lock);

/// What forbids the switch, as half a sentence; empty when nothing does. The body must also keep the limits
/// and the required clearance as it stands before and after, by the bounds that make_plan asks for.
std::string switch_objection(const StepJudge& judge, const State& before, int lock, const State& after);

/// A route on from where the hand is to the end of `way`, a verified route from the start to the target:
/// straight over where a state of `way` can be joined (joining.h), else back along the hand's own route until
/// it can. Begins with the hand's route as it is.
Route onward_route(const StepJudge& judge, const Route& driven, const Route& way);

}  // namespace withy
