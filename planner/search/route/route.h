// SPDX-License-Identifier: GPL-3.0-or-later
// A route from the start to the target: states and the steps between them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "planner/motion/action.h"
#include "planner/plan/lock_hunt.h"
#include "planner/proof/lemmas/motion_look.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/search/problem.h"
#include "planner/segment/hardware.h"

namespace withy {

/// What rounding may part a planned bend from the latched one by (rad): a tip a metre off moves by 0.1 um.
inline constexpr double kLatchRounding_rad = 1e-7;

/// One step of a route: a motion to `to`, or a lock switch that leads to it.
struct RouteStep {
  int lock = -1;  ///< the lock that switches; -1 for a motion
  bool engages = false;
  State to;
};

struct Route {
  std::vector<RouteStep> steps;
  State start = start_state();
  int switches() const;
  const State& state_before(std::size_t step) const { return step == 0 ? start : steps[step - 1].to; }
};

/// The way back: from the route's last state to its start, every motion and switch undone.
Route reversed(const Route& route);

/// What a motion is called: advance moves insertion only, bend curvature only, steer both.
ActionKind motion_kind(const State& from, const State& to);

/// How a lock is switched.
struct LockSwitch {
  std::optional<SwitchChoice> field;  ///< where the field is heeded: those of the planned pose, or where its
                                      ///< hunt can't be made with them, those that serve the hunt
  std::optional<LockHunt> hunt;       ///< of a lock that engages, where the scene's latch hunts

  bool lacks_hunt() const { return hunt && hunt->missing(); }
};

/// Judges motions and switches of one problem, exactly: what the plan is allowed to hold.
class StepJudge {
 public:
  StepJudge(const SearchProblem& problem, const Hardware& hardware)
      : problem_(problem), hardware_(hardware), verifier_(problem.design, *problem.distance) {
    if (const auto field = problem.distance->field_pointer()) look_.emplace(problem.design, field);
  }

  /// Proved: limits, hardware and required clearance hold all along.
  bool motion_allowed(const State& from, const State& to) const;

  /// The part of that which the wall has no say in: curvature and insertion at both ends, hence between, and
  /// where the problem heeds them the tendons' limits all along.
  bool within_limits_all_along(const State& from, const State& to) const;

  /// The same as far as a quick check tells.
  MotionLook::Finding look_at(const State& from, const State& to) const;

  /// Can the lock be switched in this state, there and back (a plan returns by the route it came)? Curvatures
  /// on both sides of a lock to release must be equal, the field must do both, and the bend that the lock
  /// freezes must be latched exactly: every backbone's slide a whole multiple of the pitch. How far off a
  /// bench may engage (`engage_window_mm`) is no licence for plans (exact_latch). Where the problem wants
  /// hunts, the lock's must be one that can be made.
  bool switch_allowed(const State& before, int lock, const State& after) const;

  /// How `lock` is switched in `before`: currents and hunt.
  LockSwitch lock_switch(const State& before, int lock) const;

  /// What forbids the motion, as half a sentence; empty when nothing does.
  std::string objection(const State& from, const State& to) const;

  const MotionVerifier& verifier() const { return verifier_; }
  const SearchProblem& problem() const { return problem_; }
  const Hardware& hardware() const { return hardware_; }

 private:
  bool latchable(const State& state, int lock) const;
  bool field_allows(const State& before, int lock, const State& after) const;
  LockHunt hunt_with(const State& before, int lock, const std::optional<SwitchChoice>& field) const;

  const SearchProblem& problem_;
  const Hardware& hardware_;
  MotionVerifier verifier_;
  std::optional<MotionLook> look_;  // none without a field
};

}  // namespace withy
