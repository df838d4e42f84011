// SPDX-License-Identifier: GPL-3.0-or-later
// How much each part of a question may take. Whatever bounds how much planner/ and tools/withy try stands
// here: work, draws, rounds, looks, boxes, nodes, halvings of what does not settle, and what is kept of them.
// The part of the table for rooms of triangles is geometry_shares.h. Beside their loops stand only
//   * steps of an iteration that settles by itself (Newton's, a bisection's, an optimiser's, the parting of a
//     motion into way-points), and the guard against one that does not;
//   * how finely something is looked at or shown: a length, an angle, a count of directions, rays, points or
//     pixels, which decides how exact a figure is (BendGrid, kParallels, kLookStep_mm);
//   * the largest input that is taken and output that is written: bytes, rows, triangles, layouts, notches;
//   * threads, and how long one waits for a request or a disk;
//   * the caps of the checkers (planner/proof/recheck, plans, layouts), which share nothing with what they
//     check.
//
// Work is counted in about microseconds of a fast machine (Effort). A share must be a count and never a time,
// so that an answer does not depend on the machine.
//
// Each figure has a reason, and says where it comes from. "Measured" is on the shipped scenes with 0 to 3
// locks, by `withy plan` on one core of an AMD EPYC under load. "Chosen" is by hand.
//
// `tools/bench/shares` asks shipped questions with a share halved and doubled; what came out for most of them
// is in DEVELOPERS.md, "Measuring shares", with those that change an answer. "Halved, doubled: x, y" below is
// processor time against that with the share as it is. Which were not measured so is said there.
#pragma once

#include <cstddef>
#include <cstdint>

namespace withy::shares {

// What a step of the complete search counts as (RouteSearch::work).

/// A cell proved free or blocked, or asked for the goal. Chosen; measured
/// since, where proofs take most of the time: 2 to 6 us a cell (weak-tendons 3, single-bend 3, planar-s 2).
/// Halved, doubled: 1.15, 0.88.
inline constexpr std::int64_t kCellWork = 10;
/// A cell taken from the queue, beside the cells it makes known. Chosen.
/// Halved, doubled: 1.02, 0.88.
inline constexpr std::int64_t kExpansionWork = 4;
/// A chain of cells threaded by exact motions: as much as a hundred cells. Chosen.
inline constexpr std::int64_t kTryWork = 1000;
/// An expansion's work covers so many lock switches; each one more counts 1. Chosen: coarse
/// notches make a handful each, a pitch of 0.001 mm makes thousands.
inline constexpr std::int64_t kLinksOfExpansion = 256;
/// How many expansions, goal questions or lock switches pass between two questions to the Effort. Chosen: a
/// question reads the clock, and 32 expansions are far below the second that an interruption may take.
inline constexpr int kAskInterval = 32;
/// The same of cubes that the tip's ball is followed through: about a millisecond. Chosen.
inline constexpr std::int64_t kCubeAskInterval = 64;

/// What is counted as a second where only a time is given.
inline constexpr double kWorkPerSecond = 1e6;

// What the complete search tries beside its cells.

/// The short attempt before the cells (direct_attempt.h), for each lock, and without locks. Most simple ways
/// are found so, in a millisecond or two. Chosen.
inline constexpr std::int64_t kDirectWork = 15000;
/// The same where every bend can be frozen, for each lock: goal states are sought from some fifty bends of
/// each. Chosen; measured: 40 ms with two locks.
inline constexpr std::int64_t kDirectFrictionWork = 100000;
/// Cubes of a millimetre that the tip's ball may be followed through (tip_passage.h), each about a cell's
/// work. Chosen: a chamber of 3 cm; where the tip does get through, the way to the entry is a thousand or so.
inline constexpr std::int64_t kPassageCubes = 30000;
/// Boxes of states without engaged locks that are held against the field for each lock (no_switch.h). Chosen:
/// one does where the field is too weak anywhere.
inline constexpr int kNoSwitchBoxes = 64;
/// A box as wide as its leaf, of those that a target is to be parted from the start by (span_proof.h).
/// Measured: 1.4 to 2 us where there are many of them, 3 to 7 us where there are few hundred.
inline constexpr std::int64_t kSpanLookWork = 2;
/// What they may take before the cells, where no simple way is found. Measured: 50 ms at most, which proves
/// 11 of 16 foreign questions; the cells take 6 s and more for some of these.
inline constexpr std::int64_t kSpanWork = 40000;
/// But no more than this share of what the question may take. Chosen.
inline constexpr std::int64_t kSpanFirstShare = 16;
/// Where the cells have taken so much, spans go on, and again where they have taken so many times that.
/// Chosen.
inline constexpr std::int64_t kSpanAgainAfter = 500000;
inline constexpr std::int64_t kSpanAgainTimes = 4;
/// The share of what the cells have taken that the spans then may have taken. Chosen.
inline constexpr std::int64_t kSpanShare = 8;
/// Looks at a plane of one insertion in the first turn, and at most (leaf_planes.h). Measured on double-bend
/// with 1 lock at stations from 12 to 30 mm: planes with a legal state take 4 to 10 looks mostly, planes
/// without take 25 where they are wide of one and 1,000 to 2,000 where they hardly are.
inline constexpr std::int64_t kPlaneFirstLooks = 64;
inline constexpr std::int64_t kPlaneMostLooks = 4096;
/// Looking for a plan with some bends only where frozen bends are continuous (notched_twin.h). Chosen: 3 s
/// of a budget of 60 s.
inline constexpr std::int64_t kTwinWork = 3000000;
/// Of ways with coarse mixed cells one in so many is threaded all the same. Chosen: where
/// there is room it will do, and a try costs as much as a hundred cells.
/// Halved or doubled: one sentence of a "no" is another.
inline constexpr int kCoarseTryInterval = 4;
/// Rounds of the compass search for more room in a passage, six bodies each (thread.h). Chosen:
/// enough halvings for a thousandth of the cell's width, and some steps.
inline constexpr int kPassageRounds = 14;
/// Rounds of the descent to a goal state, six shapes each (goal_descent.h). Chosen: enough for
/// a smooth function of three variables.
inline constexpr int kGoalRounds = 40;
/// Rounds of moving switches of a route to better insertions (route_tidy.h). Chosen.
inline constexpr int kTidyRounds = 3;
/// Insertions that are tried for a switch whose hunt can't be made where it is (route_tidy.h): every few
/// millimetres of a way of a hundred. Chosen.
inline constexpr int kHuntPlaces = 40;
/// Parts of one motion in a quick check (motion_look.h); a motion that takes more is left to the verifier,
/// which does it once. Chosen.
inline constexpr int kQuickParts = 2000;
/// Boxes along one stretch of a motion that its verification begins with (verify.h): best-first subdivision
/// does the rest where it matters. Chosen.
inline constexpr int kFirstBoxes = 256;
/// Looks into a least cube until its bound is on the same side of every need as its largest distance
/// (room_bound.h): enough for a need that is 0.02 mm off. Chosen.
inline constexpr int kRoomLooks = 1500;
/// Places where the body gets thicker that are asked for their room (cell_body.h). Chosen.
inline constexpr int kThickenings = 3;
/// How often a hunt's chord is halved until the field is known to serve all of it (hunt_field.h). Chosen: a
/// chord is some hundredths of a radian, and a thousandth of that is a thousandth of any reserve.
inline constexpr int kSweepFieldHalvings = 10;
/// Directions of the frozen bends that goals of friction locks are sought from, beside straight
/// (friction_goals.h). Chosen.
inline constexpr int kFrictionGoalDirections = 6;

/// A motion is looked at in so many places for one whose tip is at a place to pass (via_routes.h). Chosen.
inline constexpr int kViaLooksPerMotion = 64;

// After a proof that a certificate is asked of (certify.h).

/// The proof is made again without the field, so that fewer conditions have to be recorded: with so many
/// times the work that it took, but at least so much. Chosen: it is as hard, and often harder.
inline constexpr std::int64_t kCertifyTimes = 2;
inline constexpr std::int64_t kCertifyFloor = 2000000;

// The short attempt's own steps (direct_attempt.h), in quarters of a microsecond.

inline constexpr std::int64_t kDirectQuarters = 4;
/// Whether a box may hold the goal; a Gauss-Newton step (four shapes and a solution); a try at less
/// curvature; a body's room; a judgement of a motion; of a switch. About what these take; measured once and
/// rounded, the record is not kept.
inline constexpr std::int64_t kDirectLookWork = 1;
inline constexpr std::int64_t kDirectNewtonWork = 20;
inline constexpr std::int64_t kDirectSpareWork = 4;
inline constexpr std::int64_t kDirectMarginWork = 12;
inline constexpr std::int64_t kDirectMotionWork = 100;
inline constexpr std::int64_t kDirectSwitchWork = 20;
/// Drawing back one goal state, before the next one has its turn: 2 ms, eighty motions. Chosen.
inline constexpr std::int64_t kDirectGoalWork = 2000 * kDirectQuarters;
/// Gauss-Newton steps; it converges in four or five where it does. Measured once, the record is not kept.
inline constexpr int kDirectNewtonSteps = 8;
/// How often a leaf is halved to find where to start: curvatures to eighths of their range both ways. Chosen.
/// Halved, doubled: 1.00, 1.10; four plans and two sentences are others, and fail as often.
inline constexpr int kDirectHalvings = 6;
/// Rounds of the look for less curvature: steps down to 1/4096 of the first. Chosen.
/// Halved or doubled: one plan is another, and fails as often.
inline constexpr int kDirectSpareRounds = 12;
/// Rounds of the look for more room: steps down to 1/64 of a quarter of the curvature limit. Chosen.
inline constexpr int kDirectRoomRounds = 6;

/// A way back out where a lock sticks, or from a given state (DirectAttempt::way_out): a few hundred motions.
/// Chosen.
inline constexpr std::int64_t kWayOutWork = 20000;

// After a plan: looks for a better one (solve.h).

/// Work of each look: that of the first plan, but at least and at most so much. Chosen. Measured: with
/// them the shipped questions that reach take up to 4.4 s in all, most of it these looks.
inline constexpr std::int64_t kWidenFloor = 600000;
inline constexpr std::int64_t kWidenCeiling = 1600000;
/// How many looks for a wider plan there are: steps of 0.4 mm come down to 0.05 mm in four; two are
/// spare. Chosen.
inline constexpr int kWidenLooks = 6;

/// Work of each look for a plan whose hunts can be made, or whose switches have the reserve that is wanted,
/// where the first plan lacks it: as much as a look for a wider plan at most. Chosen. Measured: a minute's
/// search found no plan with the reserve on airway, double-bend and planar-s with 3 locks, and proved that
/// there is none on fold-chamber with 3 and miniature with 2.
/// Halved, doubled: 0.94, 1.11.
inline constexpr std::int64_t kSurerWork = 1600000;

// The elastic body of a plan (planner/heed/heed_elasticity.h).

/// A Newton step of the elastic body counts as the square of its unknowns over this: 57 with 16 elements of
/// three strains. Chosen, about what assembling and solving take; bench_elastic measures a state.
inline constexpr std::int64_t kNewtonUnknownsSquared = 40;
/// Steps in the bath of an elastic body that snaps (elastic_segment.h). Chosen: it rests after some tens.
inline constexpr int kBathSteps = 400;
/// All looks at the elastic body together, and each search for another plan after one that fails with it, as
/// well as each look for a wider one after that. Chosen: a plan's look takes a few tenths of a second, and a
/// plan that must stay farther from the wall or nearer to the target is soon found or not at all.
inline constexpr std::int64_t kHeedLooksWork = 1500000;
inline constexpr std::int64_t kHeedSearchWork = 200000;
/// Plans that are looked at. Chosen: what one lesson does not mend, three seldom do.
inline constexpr int kHeedPlans = 4;
/// Rounds of following a motion and mending the pulls at its end (compensate.h): friction remembers the way,
/// so the first answer is off by what the way there changes. They end where they settle. Chosen.
inline constexpr int kCompensationRounds = 4;
/// How often a mending that leads away is halved. Chosen.
inline constexpr int kCompensationHalvings = 2;
/// Walks of a motion that search for what mending does not meet, before a lock and at the target. Chosen: at
/// least five halvings of four ways.
inline constexpr int kCompensationPolish = 24;
/// Gauss-Newton steps of one mending. Chosen.
inline constexpr int kCompensationSteps = 8;

// What plans stand (planner/stand).

/// Benches that are drawn to say what a plan's chance to fail is: an upper bound of 0.04 % where none fails.
inline constexpr int kStandingDraws = 10000;
/// Benches that plans are compared by, and those by which ends are sorted beforehand. Chosen.
inline constexpr int kRankDraws = 1000;
inline constexpr int kSortDraws = 300;
/// Evaluations of one aim's optimiser (improve.h). Chosen.
inline constexpr int kAimEvaluations = 60;
/// Benches run between two looks at whether enough have failed, and between two questions to the Effort where
/// all are asked. Chosen.
inline constexpr std::size_t kRankBatch = 50;
inline constexpr std::size_t kChanceBatch = 500;
/// Motions that are kept from one plan to the next, the newest. Chosen.
inline constexpr std::size_t kMotionsKept = 200;
/// Radii of a smaller hunt that are tried: the scene's in so many parts (hunt_advice.h). Chosen.
inline constexpr int kHuntAdviceParts = 10;
/// How many plans are made of the candidates at the head of the sorted ones. Chosen.
inline constexpr int kPlansOfCandidates = 2;
/// Benches that a piece of advice is judged by: enough to tell one per cent from none. Chosen.
inline constexpr int kAdviceDraws = 2000;
/// The most errors that are lowered together. Chosen.
inline constexpr int kAdviceTogether = 4;
/// What the figures of the plan that is handed out may take where its time is over (s). Chosen: figures of
/// one plan mostly take less, and a budget may be passed by a second.
inline constexpr double kLastFiguresSeconds = 0.4;

/// Rounds in which one lock takes another notch (planner/stand/improve.h). Chosen: the first two rounds
/// gain the most.
inline constexpr int kNotchRounds = 2;

// After a proof: what stands in the way (reasons.h), where it comes to a stop (nearest_approach.h).

/// For each limit that is relaxed, and for all of them together: a relaxed question is an easy one where the
/// limit is what stands in the way, and three hard ones are as long as a user waits for a sentence. Chosen.
/// Measured: the shipped questions with a proof take up to 6.6 s in all.
inline constexpr std::int64_t kReasonWork = 4000000;
inline constexpr std::int64_t kReasonsWork = 12000000;
/// Each look for where an unreachable target is approached nearest. Wider targets are sooner found. Chosen.
inline constexpr std::int64_t kApproachWork = 500000;
/// Tolerances are widened up to so many times, doubled each time: six looks. Chosen.
inline constexpr double kApproachWidest = 64.0;
/// States of a motion that are looked at for its tightest place, beside its start. Chosen.
inline constexpr int kTightSamples = 12;

/// What would have to change (remedies.h): all looks together; one change alone; several at once; a layout.
/// Chosen: eased questions that are reached at all take milliseconds.
/// Halved, doubled: 0.96, 1.31; one sentence has another value.
inline constexpr std::int64_t kRemediesWork = 5000000;
inline constexpr std::int64_t kLoneRemedyWork = 150000;
inline constexpr std::int64_t kRemedyWork = 400000;
inline constexpr std::int64_t kLayoutRemedyWork = 100000;

/// How deep the tip gets (tip_depth.h): all looks together, one of them, and cubes of a millimetre that the
/// tip's ball may get to. Chosen: half a dozen looks as hard as the question; cubes twice those of
/// kPassageCubes, for here all are looked at.
/// Halved or doubled: one sentence has another depth.
inline constexpr std::int64_t kDepthWork = 4000000;
inline constexpr std::int64_t kDepthLookWork = 1000000;
inline constexpr std::int64_t kDepthCubes = 60000;
/// Where the question itself took long, all looks together may take so many times its work, up to so much.
/// Chosen; measured: with 3 locks in miniature the proof that no tip is as deep as the target takes four
/// times what the question took, with 2 in planar-s ten times, 25000000, which is not waited for.
inline constexpr std::int64_t kDepthTimes = 16;
inline constexpr std::int64_t kDepthMostWork = 12000000;
/// Of the time that is left after a proof, what the looks for what stops it and for what would do may take,
/// side by side: work ends them, the clock only where it must. Chosen: the rest is for the last plan that is
/// being verified when it ends, which no clock ends.
inline constexpr double kLooksShareOfTimeLeft = 0.95;
/// Where they take turns on one thread, what the first of them may take of that. Chosen.
inline constexpr double kFirstLookShareOfTimeLeft = 0.75;
/// A larger channel, whose distances are worked out anew, is not begun with less time left (s). Chosen: the
/// field of a large one takes a few seconds, which no clock ends.
inline constexpr double kLargerChannelSeconds = 5.0;

// Many targets (reach_search.h).

/// For one target, in all. Chosen: 4 s.
inline constexpr std::int64_t kReachWork = 4000000;
/// Shares of that which a target may take in one round after the other: all get a little before any gets
/// much. Chosen.
inline constexpr std::int64_t kReachRounds[] = {32, 8, 1};
/// Benches that a plan to each target is held against. Chosen: they tell a twentieth from a tenth.
inline constexpr int kReachDraws = 400;

// Layouts (place_search.h).

/// One question about one layout. Measured (DEVELOPERS.md): with it single-bend with 1 lock gets
/// 4.764 mm, 500 layouts at random with ten times as much 4.751 mm.
/// Halved, doubled: 0.55, 1.84.
inline constexpr std::int64_t kPlaceWork = 400000;
/// Share of that with which every layout is looked at once, to prove away what is easily proved. Chosen.
inline constexpr std::int64_t kPlaceGlanceShare = 16;
/// What layouts neither in the coarse part nor beside the best may take together, as a share of the work
/// until then. Chosen.
inline constexpr std::int64_t kPlaceElsewhereShare = 4;
/// A question about more clearance may take so many times what the last that was answered with a plan took:
/// near the widest clearance that there is, a proof would be endless. Chosen.
/// Halved, doubled: 1.05, 1.11.
inline constexpr std::int64_t kPlacePatience = 2;
/// A question about the best designs may take so many times one about a point of the grid. Chosen.
/// Halved, doubled: 0.60, 1.57.
inline constexpr std::int64_t kPlacePolish = 3;
/// Layouts tried between the points of the grid about each of the best. Chosen.
/// Halved, doubled: 0.94, 1.39.
inline constexpr int kPlacePolishTrials = 9;

// All layouts of a lock count (anywhere.h).

/// One box of stations. Chosen: what a question about one layout may take (kPlaceWork); a box that is not
/// proved within it is halved.
/// Halved, doubled: 0.99, 1.11.
inline constexpr std::int64_t kBoxWork = 400000;
/// Where this many boxes of one size could not be proved and none could, boxes of that size are cut unasked.
/// Chosen.
inline constexpr int kBoxHopelessAfter = 4;
/// More boxes than this are not kept. Chosen: some tens of megabytes.
inline constexpr double kBoxesKept = 1e5;
/// Share of the time that layouts which reach are looked for before all are proved not to. Chosen.
/// Halved, doubled: 0.51, 1.71.
inline constexpr double kReachingTimeShare = 0.4;
/// Share of a count's time that its answer may take where its proofs are to be rechecked within it
/// (compare --recheck). Chosen: checking boxes takes less than proving them.
inline constexpr double kProofsTimeShare = 0.75;

// Lattices of notches (latch.h).

/// Up to so many pairs of notches are laid out and sorted at once; more are handed out one by one. Measured:
/// the shipped scenes' largest lattice has 2401 (weak-tendons).
inline constexpr double kLatticeAtOnce = 1e5;
/// Pairs of notches that pass, latchable or not, between two questions to the Effort: about a
/// millisecond. Chosen.
inline constexpr std::int64_t kLatticeAskInterval = 4096;

// Benches (fit.h, worst_case.h). Not searches: each settles by itself, these are for what does not.

/// Rounds of a fit, each with the noise that the last one left: a handful where noise settles. Chosen.
inline constexpr int kFitRounds = 50;
/// Steps of one solution in a round. Chosen: ten to thirty where there is one.
inline constexpr int kFitSteps = 200;
/// Rounds of a fit of the elastic body, whose noise need settle to a hundredth only. Chosen.
inline constexpr int kFitElasticRounds = 8;
/// Benches that `withy tolerance` draws. Chosen: an upper bound of 0.37 % where none fails.
inline constexpr int kToleranceDraws = 1000;
/// Benches for each thread that are drawn between two looks at whether the Effort is spent, so that a result
/// that was cut short counts the draws in order. Chosen.
inline constexpr std::size_t kDrawsEach = 8;
/// Cells of a motion along its course, 1.5 mm each up to this: beyond it they get longer. Chosen: 192 mm
/// of motion.
inline constexpr int kToleranceParts = 128;
/// How often a millimetre of a hunt's sweep is halved, along the body and across, before what is in doubt is
/// verified: halves are quick, and a sweep has hundreds of chords. Chosen.
inline constexpr int kSweepHalvings = 3;
/// How often a part of a motion is halved where a box about it doesn't settle its limits. Chosen.
inline constexpr int kLimitHalvings = 6;
/// Steps towards the direction that errors move a point farthest in (directed_bound.h): the bound then misses
/// the best by a few hundredths of the displacement. Chosen.
inline constexpr int kDirectionSteps = 12;

// A scene made ready (scene_problem.h).

/// Nodes of the distance field: a wide lumen gets a coarser one. Chosen: a node takes 8 bytes.
inline constexpr double kFieldNodes = 6e6;

// Driving by hand (planner/live/hand.h), and scripts for where a lock sticks.

/// A motion that is not allowed is followed to 1/16384 of its way: a hundredth of a millimetre of the
/// longest. Chosen.
inline constexpr int kHandHalvings = 14;
/// Steps of a route that are kept. Chosen: no plan has a hundredth of it.
inline constexpr std::size_t kHandSteps = 2000;
/// Actions of a plan whose switches get scripts for where they stick. Chosen.
inline constexpr int kRecoveries = 200;

// Commands, by the clock (s). Chosen: what a user waits for.

inline constexpr double kPlanSeconds = 60.0;
/// What would help a plan (planner/stand/advice.h): single-bend with 1 lock takes 2.5 s of both cores.
inline constexpr double kAdviceSeconds = 3.0;
inline constexpr double kPlaceSeconds = 600.0;

}  // namespace withy::shares
