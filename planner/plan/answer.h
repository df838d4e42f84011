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
  int action = 0;          ///< of the plan: the switch
  int lock = 0;            ///< from 0
  bool engaged = false;    ///< it does not let go; else it did not engage
  bool out = false;        ///< a verified way leads out to insertion 0
  double ends_at_mm = 0;   ///< the insertion that the verified way ends at
  std::string blocked_by;  ///< not out: what stops it there, as half a sentence
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
};

/// A route in and the same route out, start to start.
struct Plan {
  std::vector<PlannedState> states;
  std::vector<PlannedAction> actions;
  int reached_state = 0;            ///< index of the state whose tip is at the target
  double clearance_mm = 0.0;        ///< least over all actions
  double clearance_slack_mm = 0.0;  ///< the true value is at most this above
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
  double finest_cell_mm = 0.0;           ///< tip motion across the finest cell
  double lipschitz_insertion = 0.0;      ///< mm of body motion per mm of insertion, largest used
  double lipschitz_curvature_mm2 = 0.0;  ///< mm of body motion per 1/mm of curvature, largest used
};

/// The closest a search came to the target.
struct Approach {
  double distance_mm = 0.0;  ///< from the tip to the target's point
  PlannedState state;        ///< its figures are worked out where the answer is given
  std::string blocked_by;    ///< what stopped it there, as half a sentence
};

struct Answer {
  Verdict verdict = Verdict::undecided;
  std::string why;  ///< one sentence a designer can act on
  /// What would have to change, a sentence each, with values that a plan was made with; unreachable only, and
  /// where it was looked for.
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
};

}  // namespace withy
