// SPDX-License-Identifier: GPL-3.0-or-later
// How much each part of a question may take: every share and cap of work stands here and nowhere else.
//
// Work is counted in about microseconds of a fast machine (Effort). A share must be a count and never a time,
// so that an answer does not depend on the machine. What a figure was measured on: the shipped scenes with 0
// to 3 locks, one core of an AMD EPYC, tools/bench/budget. "Plans" are those of `withy plan`. Where no
// measurement is named, the figure is common practice or was chosen by hand, and is marked so.
#pragma once

#include <cstdint>

namespace withy::shares {

// --- What a step of the complete search counts as (RouteSearch::work)
// ---------------------------------------------

/// A cell proved free or blocked, or asked for the goal. Measured: 8 to 13 us a cell.
inline constexpr std::int64_t kCellWork = 10;
/// A cell taken from the queue, beside the cells it makes known. Measured: about 4 us.
inline constexpr std::int64_t kExpansionWork = 4;
/// A chain of cells threaded by exact motions. Measured: 0.3 to 3 ms.
inline constexpr std::int64_t kTryWork = 1000;
/// An expansion's work covers so many lock switches; each one more counts 1. The shipped scenes stay below; a
/// fine notch pitch makes thousands, about 1 us each to bound.
inline constexpr std::int64_t kLinksOfExpansion = 256;
/// How many expansions, goal questions or lock switches pass between two questions to the Effort. 32 take
/// about 0.5 ms, a question 50 ns.
inline constexpr int kAskInterval = 32;

// --- What the complete search tries beside its cells
// -----------------------------------------------------------------

/// The short attempt before the cells (direct_attempt.h), for each lock, and without locks. It finds most
/// simple ways in 1 to 3 ms; what it has not found in 15 ms it seldom finds.
inline constexpr std::int64_t kDirectWork = 15000;
/// Looking for a plan with some bends only where frozen bends are continuous (notched_twin.h). The shipped
/// scenes with friction locks that have such a plan need up to 1 s; the rest is their margin.
inline constexpr std::int64_t kTwinWork = 3000000;
/// Of ways with coarse mixed cells one in so many is threaded all the same. Chosen by hand: a try costs as
/// much as a hundred cells.
inline constexpr int kCoarseTryInterval = 4;
/// Rounds of the compass search for more room in a passage, six bodies each (thread.h). 14 halve the cell's
/// width to less than a thousandth of it.
inline constexpr int kPassageRounds = 14;
/// Rounds of the descent to a goal state, six shapes each (goal_descent.h). Enough for a smooth function of
/// three variables; chosen by hand.
inline constexpr int kGoalRounds = 40;
/// Rounds of moving switches of a route to better insertions (route_tidy.h). Shipped routes settle in two.
inline constexpr int kTidyRounds = 3;

// --- The short attempt's own steps (direct_attempt.h), in quarters of a microsecond
// ----------------------------------

inline constexpr std::int64_t kDirectQuarters = 4;
/// Whether a box may hold the goal; a Gauss-Newton step (four shapes and a solution); a try at less
/// curvature; a body's room; a judgement of a motion; of a switch. Measured on single-bend, rounded.
inline constexpr std::int64_t kDirectLookWork = 1;
inline constexpr std::int64_t kDirectNewtonWork = 20;
inline constexpr std::int64_t kDirectSpareWork = 4;
inline constexpr std::int64_t kDirectMarginWork = 12;
inline constexpr std::int64_t kDirectMotionWork = 100;
inline constexpr std::int64_t kDirectSwitchWork = 20;
/// Drawing back one goal state, before the next one has its turn: 2 ms, twenty motions. Chosen by hand.
inline constexpr std::int64_t kDirectGoalWork = 2000 * kDirectQuarters;
/// Gauss-Newton steps; it converges in four or five where it does.
inline constexpr int kDirectNewtonSteps = 8;
/// How often a leaf is halved to find where to start: curvatures to eighths of their range both ways.
inline constexpr int kDirectHalvings = 6;
/// Rounds of the look for less curvature: steps down to 1/4096 of the first.
inline constexpr int kDirectSpareRounds = 12;
/// Rounds of the look for more room: steps down to 1/64 of a quarter of the curvature limit.
inline constexpr int kDirectRoomRounds = 6;

// --- After a plan: looks for a better one (solve.h)
// -------------------------------------------------------------------

/// Work of each look: that of the first plan, but at least and at most so much. With less than 0.6 s the
/// shipped scenes' narrowest passages stay up to 0.2 mm narrower; more than 1.6 s gave none of them 0.05 mm.
inline constexpr std::int64_t kWidenFloor = 600000;
inline constexpr std::int64_t kWidenCeiling = 1600000;
/// How many looks for a wider plan there are: steps of 0.4 mm come down to 0.05 mm in four, two are spare.
inline constexpr int kWidenLooks = 6;

// --- After a proof: what stands in the way (reasons.h), where it comes to a stop (nearest_approach.h)
// ----------------

/// For each limit that is relaxed, and for all of them together: a relaxed question is an easy one where the
/// limit is what stands in the way, and three hard ones are as long as a user waits for a sentence. Chosen by
/// hand.
inline constexpr std::int64_t kReasonWork = 4000000;
inline constexpr std::int64_t kReasonsWork = 12000000;
/// Each look for where an unreachable target is approached nearest. Wider targets are sooner found: 0.5 s.
inline constexpr std::int64_t kApproachWork = 500000;
/// Tolerances are widened up to so many times, doubled each time: six looks.
inline constexpr double kApproachWidest = 64.0;
/// States of a motion that are looked at for its tightest place, beside its start.
inline constexpr int kTightSamples = 12;

// --- Many targets (reach_search.h)
// -------------------------------------------------------------------------------------

/// For one target, in all.
inline constexpr std::int64_t kReachWork = 4000000;
/// Shares of that which a target may take in one round after the other: all get a little before any gets
/// much.
inline constexpr std::int64_t kReachRounds[] = {32, 8, 1};

// --- Layouts (place_search.h)
// -------------------------------------------------------------------------------------------

/// One question about one layout. tools/bench/place finds no wider design with ten times as much.
inline constexpr std::int64_t kPlaceWork = 400000;
/// Share of that with which every layout is looked at once, to prove away what is easily proved.
inline constexpr std::int64_t kPlaceGlanceShare = 16;
/// What layouts neither in the coarse part nor beside the best may take together, as a share of the work
/// until then.
inline constexpr std::int64_t kPlaceElsewhereShare = 4;
/// A question about more clearance may take so many times what the last that was answered with a plan took:
/// near the widest clearance that there is, a proof would be endless.
inline constexpr std::int64_t kPlacePatience = 2;
/// A question about the best designs may take so many times one about a point of the grid.
inline constexpr std::int64_t kPlacePolish = 3;
/// Layouts tried between the points of the grid about each of the best.
inline constexpr int kPlacePolishTrials = 9;

// --- Lattices of notches (latch.h)
// --------------------------------------------------------------------------------------

/// Up to so many pairs of notches are laid out and sorted at once, which takes about 20 ms; more are handed
/// out one by one. The shipped scenes' largest lattice has 9000.
inline constexpr double kLatticeAtOnce = 1e5;
/// Pairs of notches that pass, latchable or not, between two questions to the Effort: about a millisecond.
inline constexpr std::int64_t kLatticeAskInterval = 4096;

// --- Commands, by the clock (s)
// ------------------------------------------------------------------------------------------

inline constexpr double kPlanSeconds = 60.0;
inline constexpr double kPlaceSeconds = 600.0;

}  // namespace withy::shares
