// SPDX-License-Identifier: GPL-3.0-or-later
// What a search answers: a verdict that says why, and a plan or a proof with it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"
#include "planner/motion/action.h"
#include "planner/plan/elastic_verdict.h"
#include "planner/plan/lock_hunt.h"
#include "planner/segment/hardware.h"

namespace withy {

enum class Verdict { reached, unreachable, undecided };

/// "reached", "unreachable", "undecided".
std::string_view name_of(Verdict verdict);

enum class Leg { in, out };

/// A state with its figures, which are worked out once (figures.h) and read by all that write, show or judge
/// them.
struct PlannedState : State {
  double clearance_mm = kInfinity;  ///< verified lower bound; infinite with nothing past the entry plane
  Eigen::Isometry3d tip_E = Eigen::Isometry3d::Identity();
  HardwareUse use = {};  ///< pulls, tensions, lock loads
};

/// One action of a plan, from `states[from]` to `states[to]`.
struct PlannedAction {
  ActionKind kind = ActionKind::advance;
  Leg leg = Leg::in;
  int from = 0;
  int to = 0;
  int lock = -1;                           ///< index from 0; lock and unlock only
  std::optional<Eigen::Vector3d> field_S;  ///< mT at the lock, lock and unlock only, absent where the field
                                           ///< is not checked
  std::optional<double> field_largest_mT;  ///< at any lock, with field_S: what the strength's limit is on
  std::vector<double> current_A;           ///< one for each coil, with field_S
  std::optional<double> field_reserve;     ///< of the switch, with field_S (field.h)
  double clearance_mm = 0.0;     ///< verified lower bound over the whole motion; infinite when never inside
  std::optional<LockHunt> hunt;  ///< lock only, where the scene's latch hunts
};

/// The largest that a plan asks for, over its states and the corners of its hunts. Nothing where the scene
/// leaves out what it needs.
struct PlanExtremes {
  std::optional<double> tension_N;
  std::optional<double> pull_mm;
  std::optional<double> field_mT;
  std::optional<double> lock_moment_Nmm;
  double insertion_mm = 0.0;
  double curvature_per_mm = 0.0;
};

/// What is left to do where a lock sticks at a switch of a plan: it did not engage, or does not let go and
/// stays frozen as it is.
struct StuckLock {
  int action = 0;        ///< of the plan: the switch
  int lock = 0;          ///< from 0
  bool engaged = false;  ///< it does not let go; else it did not engage
  bool out = false;      ///< a verified way leads out to insertion 0
  /// Not out: the look for a way came to its end. Else its clock or its work ended first, and whether a way
  /// leads out is not known.
  bool looked_to_end = true;
  double ends_at_mm = 0;   ///< the insertion that the verified way ends at
  std::string blocked_by;  ///< not out: what stops it there, or what ended the look, as half a sentence
  /// The way, from the state in which the lock sticks.
  std::vector<PlannedState> states = {};
  std::vector<PlannedAction> actions = {};
};

/// Drawn benches on which something happened, and what that says of all benches.
struct BenchCount {
  int benches = 0;
  double low = 0.0;  ///< of the share of benches: exact 95 % interval
  double high = 1.0;
};

/// Which of the elastic body's slides at the locks are counted beside the errors: those with no pulls, with
/// the ideal segment's or with compensated ones.
enum class SlidesOf { none, ideal_pulls, compensated_pulls };

/// What a plan stands (planner/stand): every figure under the errors of a usual bench, or of a given one.
struct Standing {
  double reserve = 0.0;    ///< the largest multiple of all errors at once that the plan is proved to stand
  std::string limited_by;  ///< what can't be proved at the next step, as half a sentence
  int draws = 0;
  BenchCount fails;       ///< on any of the following
  BenchCount touches;     ///< the wall; too close to tell counts
  BenchCount misses;      ///< the target's tolerance or direction
  BenchCount disengaged;  ///< a lock finds no notch, or another
  BenchCount overloads;   ///< a switch or a limit does not hold
  SlidesOf slides = SlidesOf::none;
  /// Where slides are counted: the two figures without.
  double reserve_without_slides = 0.0;
  int draws_without_slides = 0;
  BenchCount fails_without_slides = {};
};

/// A route in and the same route out, start to start.
struct Plan {
  std::vector<PlannedState> states;
  std::vector<PlannedAction> actions;
  int reached_state = 0;             ///< index of the state whose tip is at the target
  std::vector<int> via_states = {};  ///< of each place that was to be passed, the state whose tip is there
  double clearance_mm = 0.0;         ///< least over all actions
  double clearance_slack_mm = 0.0;   ///< the true value is at most this above
  bool preset = false;  ///< a lock was engaged on a bend with nothing of the body past the entry plane
  PlanExtremes largest;
  /// It begins where a user asked, and ends at the start all the same.
  bool from_elsewhere = false;
  std::vector<StuckLock> stuck_locks = {};  ///< where that was asked for: one for each switch, in order
  std::optional<Standing> standing = {};    ///< where that was asked for

  /// The first action whose hunt is called for and can't be made; null where there is none.
  const PlannedAction* without_hunt() const;
};

/// Least reserve of all switches; nothing where there is none.
std::optional<double> least_field_reserve(const Plan& plan);

/// How far a search got, for `undecided` (and for the proof's record).
struct Coverage {
  std::int64_t cells_examined = 0;
  std::int64_t cells_excluded = 0;
  std::int64_t cells_left = 0;
  std::int64_t cells_reached = 0;        ///< free or not yet known, and a way leads from them to the target
  double finest_cell_mm = 0.0;           ///< tip motion across the finest cell
  double lipschitz_insertion = 0.0;      ///< mm of body motion per mm of insertion, largest used
  double lipschitz_curvature_mm2 = 0.0;  ///< mm of body motion per 1/mm of curvature, largest used
};

/// The closest a search came to the target.
struct Approach {
  double distance_mm = 0.0;         ///< from the tip to the target's point
  PlannedState state;               ///< its figures are worked out where the answer is given
  std::string blocked_by;           ///< what stopped it there, as half a sentence
  std::string from = "the target";  ///< what the distance is from: a place to pass where that decided it
};

/// How deep the tip gets towards a target that is proved unreachable (planner/search/depth/tip_depth.h).
/// Depths are along the middle line from the entry to the target's branch, of the places that belong to its
/// points (planner/search/depth/target_way.h).
struct TipDepth {
  double target_mm = 0.0;   ///< depth of the target
  double at_most_mm = 0.0;  ///< no reachable tip is deeper: proved, or the middle line's whole length
  double reached_mm = 0.0;  ///< depth of the deepest tip of a verified way that was found
  bool proved = false;      ///< does at_most_mm say more than that the middle line ends there?
  bool by_lumen = false;    ///< by the lumen, whatever the locks; else by the cells of the search
  // The place on the middle line at at_most_mm: the tip stops before it.
  int branch = 0;  ///< from 0
  double branch_station_mm = 0.0;
  Eigen::Vector3d place_E = Eigen::Vector3d::Zero();
  /// Proved: no reachable tip comes nearer to the target's point than this, in the direction that it asks
  /// for; where the tip gets as deep as the target lies.
  std::optional<double> no_nearer_mm;
  bool directed = false;            ///< the target asks for a direction
  bool cut_short = false;           ///< the looks ended before the bounds met
  bool by_clock = false;            ///< cut short by the clock
  std::string what = "the target";  ///< or "the place", where it is one to pass

  /// Proved: the tip stops short of the target's depth.
  bool stops_short() const;
  /// As a sentence without its full stop; `place_S` in the scene's frame.
  std::string sentence(const Eigen::Vector3d& place_S) const;
};

/// Where a search that decided nothing still has open cells: between which depths along the middle line to
/// the target their tips are.
struct OpenPart {
  std::int64_t cells = 0;   ///< open cells whose tips belong to the way
  std::int64_t beside = 0;  ///< those whose tips are elsewhere
  double from_mm = 0.0;
  double to_mm = 0.0;
  double target_mm = 0.0;
  Eigen::Vector3d from_E = Eigen::Vector3d::Zero();  ///< the middle line's places there
  Eigen::Vector3d to_E = Eigen::Vector3d::Zero();

  /// As a sentence without its full stop; places in the scene's frame.
  std::string sentence(const Eigen::Isometry3d& X_SE) const;
};

struct Answer {
  Verdict verdict = Verdict::undecided;
  std::string why;  ///< one sentence a designer can act on
  /// What would have to change, a sentence each, with values that a plan was made with, where it was looked
  /// for: unreachable, or reached by a plan that lacks a hunt.
  std::vector<std::string> remedies;
  std::vector<std::string> checked;
  std::vector<std::string> not_checked;
  int locks = 0;
  std::uint64_t seed = 1;
  double seconds = 0.0;        ///< for the question alone: until there was a plan, a proof, or no more effort
  double seconds_after = 0.0;  ///< then, for a better plan, or for what stands in the way
  std::optional<Plan> plan;    ///< reached only
  std::optional<ElasticVerdict> elastic;  ///< of the plan, where the elastic body was looked at
  std::optional<Coverage> coverage;       ///< unreachable and undecided
  std::optional<Approach> approach;       ///< undecided (and unreachable, where one is known)
  std::optional<TipDepth> depth;          ///< unreachable only, where it was looked for
  std::optional<OpenPart> open;           ///< undecided only, where it is known
  std::vector<std::string> would_decide;  ///< undecided only: what might, a sentence each
};

}  // namespace withy
