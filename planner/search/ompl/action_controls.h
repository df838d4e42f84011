// SPDX-License-Identifier: GPL-3.0-or-later
// The five kinds of action as OMPL controls, so that planners that know nothing but forward steps can be put
// to the problem too.
//
// A control is a kind and three amounts: mm of insertion and 1/mm of curvature (x, y). A step of it
//   advance:  adds the first amount to the insertion,
//   bend:     adds the other two to the free curvature,
//   steer:    does both,
//   lock i:   bends the free region to the latchable bend nearest to its own and engages lock i there (in a
//             frozen region, whose curvature no tendon changes, lock i engages as things are or not at all),
//   unlock i: bends the free region to where both sides of lock i have one curvature and releases it.
// Every motion and switch of a step is verified as the space's own motions are. A step that is not allowed
// leads to a state past all limits, which no validity checker accepts.
#pragma once

#include <memory>

#include <ompl/control/SpaceInformation.h>

#include "planner/search/ompl/segment_space.h"

namespace withy {

/// What one control does in one step; the value of an OMPL control.
struct ActionStep {
  ActionKind kind = ActionKind::advance;
  int lock = -1;  ///< lock and unlock only
  double insertion_mm = 0.0;
  Eigen::Vector2d curvature_per_mm = Eigen::Vector2d::Zero();
};

/// Kinds and amounts as a compound of OMPL's discrete and real-vector controls, sampled uniformly.
ompl::control::ControlSpacePtr action_controls(const ompl::base::StateSpacePtr& space, const Design& design);

/// The step that a control of action_controls() stands for.
ActionStep action_step(const ompl::control::Control* control, const Design& design);

/// The motions and the switch that an action takes; nothing where a lock is in the wrong position for it or
/// no state lets it switch. They may be forbidden still: steps_allowed() tells.
std::optional<std::vector<RouteStep>> steps_of(const Design& design, const BendChart& chart,
                                               const State& from, const ActionStep& action);

/// Space information for control planners and for geometric ones: give it a validity checker and a motion
/// validator. Everything passed must outlive it.
std::shared_ptr<ompl::control::SpaceInformation> information_with_actions(
    const ompl::base::StateSpacePtr& space, const BendChart& chart, const StepJudge& judge);

}  // namespace withy
