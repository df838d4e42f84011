// SPDX-License-Identifier: GPL-3.0-or-later
// From a plan to one that stands more on a bench (standing.h), in the same order of motions and switches, but
// for what stiffens it.
//
// In turn, for as long as the effort lasts and something is gained:
//   * aim: the last state, insertion and free bend, goes to where the tip is nearest to the middle of the
//     target's tolerance, of place and of direction, within the limits (sequential quadratic programming:
//     D. Kraft, "A software package for sequential quadratic programming", DFVLR-FB 88-28, 1988, as NLopt
//     has it), with the bend that this takes or less of it, which lowers the tension, or part of the way
//     there;
//   * hunts: where the sweep of one may touch the wall on some bench, its lock is switched farther out, with
//     the free carriage;
//   * stiffen: where no lock is switched, one engages straight before anything else, so that errors bend less
//     of the segment;
//   * notches: a lock takes a neighbouring bend of its lattice (a friction lock one a little off), the states
//     before and after go along, and the last one is aimed anew. With the free carriage, for locks that
//     engage once and stay engaged to the target.
// Whatever comes of it is a route like any other: make_plan verifies it whole, or it is dropped. A candidate
// takes the plan's place where it stands more by the same drawn benches; all that stand alike are told apart
// by the reserve. Deterministic.
#pragma once

#include <optional>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/route/route.h"
#include "planner/stand/standing.h"

namespace withy {

/// The way in of a plan, as a route.
Route way_in(const Plan& plan);

/// Near `from`, with its locks and frozen bends, the state whose tip is nearest to the middle of the target's
/// tolerance, its free curvature at most `most_per_mm`; nothing where the optimiser finds none within the
/// limits of curvature and insertion.
std::optional<State> aimed(const Design& design, const Goal& goal, const State& from, double most_per_mm);

/// Of `draws` benches, does the plan fail on fewer than `enough`, with its last state aimed at the middle
/// where that stands more?
bool stands_when_aimed(const StepJudge& judge, const Stander& stander, Plan plan, int draws, int enough);

/// The plan, or one that stands more; no more switches than it has, but for one where it has none. Of a
/// problem with places to pass the plan as it is: what is changed need not pass them. `judge` and `stander`
/// are of one problem.
Plan made_to_stand(const StepJudge& judge, const Stander& stander, Plan plan, const Effort& effort);

}  // namespace withy
