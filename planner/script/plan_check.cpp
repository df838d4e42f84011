// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/plan_check.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/plan/lock_hunt.h"
#include "planner/script/places_passed.h"
#include "planner/script/replay_checks.h"
#include "planner/segment/hardware.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// What writing a state down as decimals and reading it back may change, with room to spare, and far below
// what a bench tells apart.
constexpr double kSameInsertion_mm = 1e-9;
constexpr double kSameCurvature_per_mm = 1e-9;
constexpr double kSameBend_rad = 1e-7;
constexpr double kSameClearance_mm = 1e-6;
constexpr PlaceLeniency kPlaceRounding{kSameClearance_mm, kSameBend_rad};

using MaybeDefect = std::optional<PlanDefect>;

bool same_bends(const State& a, const State& b, double tolerance_rad = kSameBend_rad) {
  return a.theta_frozen.size() == b.theta_frozen.size() &&
         std::equal(a.theta_frozen.begin(), a.theta_frozen.end(), b.theta_frozen.begin(),
                    [&](const auto& x, const auto& y) { return (x - y).norm() <= tolerance_rad; });
}

bool same_insertion(const State& a, const State& b) {
  return std::abs(a.insertion_mm - b.insertion_mm) <= kSameInsertion_mm;
}

bool same_free_bend(const State& a, const State& b) {
  return (a.u_free - b.u_free).norm() <= kSameCurvature_per_mm;
}

bool is_start(const State& state) {
  return same_insertion(state, start_state()) && state.engaged.none() && same_free_bend(state, start_state());
}

class PlanJudge {
 public:
  enum class Trust { states_and_actions, clearances_too };

  PlanJudge(const Plan& plan, const PlanQuestion& question, Trust trust)
      : plan_(plan),
        trust_(trust),
        scene_(question.scene),
        verifier_(question.verifier),
        design_(question.verifier.design()),
        hardware_(design_),
        required_mm_(question.required_clearance_mm) {}

  MaybeDefect run() {
    if (MaybeDefect fault = check_order()) return fault;
    if (MaybeDefect fault = check_given_notches()) return fault;
    for (at_ = 0; at_ < static_cast<int>(plan_.states.size()); ++at_)
      if (MaybeDefect fault = check_state(plan_.states[static_cast<std::size_t>(at_)])) return fault;
    for (at_ = 0; at_ < static_cast<int>(plan_.actions.size()); ++at_) {
      const PlannedAction& action = plan_.actions[static_cast<std::size_t>(at_)];
      const bool switches = action.kind == ActionKind::lock || action.kind == ActionKind::unlock;
      if (MaybeDefect fault = switches ? check_switch(action) : check_motion(action)) return fault;
    }
    if (MaybeDefect fault = check_vias()) return fault;
    return check_target();
  }

 private:
  MaybeDefect whole(std::string problem, std::string remedy = "plan again") const {
    return PlanDefect{-1, std::move(problem), std::move(remedy)};
  }
  MaybeDefect here(const std::string& problem, std::string remedy = "plan again") const {
    return PlanDefect{at_, fmt::format("action {}: {}", at_ + 1, problem), std::move(remedy)};
  }
  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }

  // --- Order ---

  MaybeDefect check_order() {
    if (plan_.actions.empty())
      return plan_.states.size() == 1 && (plan_.from_elsewhere || is_start(plan_.states.front()))
                 ? std::nullopt
                 : whole("the plan has states and no actions");
    if (!plan_.from_elsewhere && !is_start(state(plan_.actions.front().from)))
      return whole("the plan does not begin straight, drawn back and with all locks released");
    if (!is_start(state(plan_.actions.back().to)))
      return whole("the plan does not end as it began: straight, drawn back and with all locks released");
    for (at_ = 1; at_ < static_cast<int>(plan_.actions.size()); ++at_) {
      const PlannedAction& before = plan_.actions[static_cast<std::size_t>(at_ - 1)];
      const PlannedAction& action = plan_.actions[static_cast<std::size_t>(at_)];
      if (action.from != before.to)
        return here(fmt::format("it starts from state {}, the one before it ended in state {}", action.from,
                                before.to));
      if (before.leg == Leg::out && action.leg == Leg::in)
        return here("it leads in after the way out has begun");
    }
    return std::nullopt;
  }

  // --- States and motions ---

  MaybeDefect check_state(const State& state) const {
    const auto fault = [&](const std::string& problem) {
      return whole(fmt::format("state {}: {}", at_, problem));
    };
    const double most = design_.carriage().insertion_max_mm;
    if (!(state.insertion_mm >= 0.0 && state.insertion_mm <= most))
      return fault(fmt::format("the insertion is {} mm, outside 0 to {} mm", state.insertion_mm, most));
    if (!within_limits(design_, state))
      return fault(fmt::format("the segment bends more than its limit of {} per mm",
                               design_.segment().curvature_max_per_mm));
    if (const auto breach = hardware_.state_breach(state)) return fault(breach->sentence());
    return std::nullopt;
  }

  MaybeDefect check_motion(const PlannedAction& action) const {
    const State& from = state(action.from);
    State to = state(action.to);
    if (from.engaged != to.engaged || !same_bends(from, to))
      return here(fmt::format("this {} changes what the locks hold", name_of(action.kind)));
    to.theta_frozen = from.theta_frozen;
    if (action.kind == ActionKind::advance && !same_free_bend(from, to))
      return here("this advance bends the segment too");
    if (action.kind == ActionKind::bend && !same_insertion(from, to))
      return here("this bend moves the carriage too");
    if (trust_ == Trust::states_and_actions)
      if (const auto breach = hardware_.motion_breach(from, to)) return here(breach->sentence());
    return check_clearance(action, from, to);
  }

  MaybeDefect check_clearance(const PlannedAction& action, const State& from, const State& to) const {
    const double wanted = std::max(0.0, required_mm_ - kSameClearance_mm);
    if (trust_ == Trust::clearances_too) return action.clearance_mm >= wanted ? std::nullopt : too_close();
    if (verifier_.clears(from, to, wanted)) return std::nullopt;
    // What a plan made with exact distances keeps to may be too close to tell by the field's.
    const ChannelDistance exact(verifier_.distance().exact_pointer());
    const MotionClearance found = MotionVerifier(design_, exact).compare(from, to, wanted);
    if (found.lower_mm >= wanted) return std::nullopt;
    return found.upper_mm <= 0.0 ? here("the body touches the wall") : too_close();
  }

  MaybeDefect too_close() const {
    return here(fmt::format("the body is not verified to keep {} mm from the wall", required_mm_));
  }

  // --- Switches ---

  MaybeDefect check_switch(const PlannedAction& action) const {
    const State& from = state(action.from);
    const State& to = state(action.to);
    const auto lock = static_cast<std::size_t>(action.lock);
    const bool engages = action.kind == ActionKind::lock;
    if (action.lock < 0 || action.lock >= design_.lock_count()) return here("there is no such lock");
    if (from.engaged.test(lock) == engages)
      return here(fmt::format("lock {} is {} already", action.lock + 1, engages ? "engaged" : "released"));
    if (!same_insertion(from, to) || !same_free_bend(from, to))
      return here("the segment moves while the lock switches");
    if (MaybeDefect fault = engages ? check_lock(action, from, to) : check_unlock(action, from, to))
      return fault;
    if (const auto breach = hardware_.switch_breach(from, action.lock)) return here(breach->sentence());
    if (MaybeDefect fault = check_field_of(action, from)) return fault;
    if (engages)
      if (MaybeDefect fault = check_hunt(action, from)) return fault;
    return check_clearance(action, to, to);
  }

  /// The bend on notches that a sum of bends is to within rounding: a bench's window is none of a plan's.
  std::optional<Eigen::Vector2d> held_in_plans(const Eigen::Vector2d& sum) const {
    return latched_bend(exact_latch(*design_.latch(), kSameBend_rad), sum);
  }

  /// A plan that begins elsewhere: what its first state's locks hold no lock action has shown.
  MaybeDefect check_given_notches() const {
    if (!plan_.from_elsewhere || !design_.latch() || plan_.states.empty()) return std::nullopt;
    const State& first = plan_.states.front();
    for (int lock = 0; lock < design_.lock_count(); ++lock)
      if (first.engaged.test(static_cast<std::size_t>(lock)) && !held_in_plans(bend_up_to_lock(first, lock)))
        return whole(fmt::format("lock {} holds a bend between its notches where the plan begins", lock + 1));
    return std::nullopt;
  }

  MaybeDefect check_lock(const PlannedAction& action, const State& from, const State& to) const {
    const State engaged = after_lock(design_, from, action.lock);
    State latched = engaged;
    if (design_.latch()) {
      const Eigen::Vector2d sum = bend_up_to_lock(engaged, action.lock);
      const auto held = held_in_plans(sum);
      if (!held) return here(fmt::format("lock {} engages between notches", action.lock + 1));
      const std::size_t region = region_index(engaged.engaged, action.lock);
      latched.theta_frozen[region] += *held - sum;
      if (region + 1 < latched.theta_frozen.size()) latched.theta_frozen[region + 1] -= *held - sum;
    }
    if (to.engaged == engaged.engaged && (same_bends(to, engaged) || same_bends(to, latched)))
      return std::nullopt;
    return here(fmt::format("lock {} does not hold the bend that it was engaged on", action.lock + 1));
  }

  MaybeDefect check_unlock(const PlannedAction& action, const State& from, const State& to) const {
    if (!unlock_keeps_shape(design_, from, action.lock))
      return here(
          fmt::format("lock {} lets go while the curvature on its two sides differs", action.lock + 1));
    const State released = after_unlock(design_, from, action.lock);
    if (to.engaged == released.engaged && same_bends(to, released)) return std::nullopt;
    return here(fmt::format("letting go of lock {} does not lead to the next state", action.lock + 1));
  }

  MaybeDefect check_field_of(const PlannedAction& action, const State& from) const {
    if (!design_.field()) return std::nullopt;
    if (!action.field_S) return here("the plan names no field for this switch");
    if (std::ssize(action.current_A) != design_.field()->coil_count())
      return here("the plan does not name a current for each coil");
    Waypoint row;
    row.field_S = *action.field_S;
    row.current_A = action.current_A;
    if (const auto finding = check_currents(design_, from, action.lock, row))
      return here(finding->problem, finding->remedy);
    if (const auto finding = check_field(design_, from, action.lock, row, FieldNumbers::exact))
      return here(finding->problem, finding->remedy);
    return std::nullopt;
  }

  /// A hunt that is made goes into the script, so it is judged again whatever a file says of it.
  MaybeDefect check_hunt(const PlannedAction& action, const State& from) const {
    if (!action.hunt || !action.hunt->made() || trust_ == Trust::clearances_too) return std::nullopt;
    const double wanted = std::max(0.0, required_mm_ - kSameClearance_mm);
    const Currents current_A =
        Eigen::Map<const Eigen::VectorXd>(action.current_A.data(), std::ssize(action.current_A));
    const Currents* const currents = design_.field() ? &current_A : nullptr;
    LockHunt judged = judge_lock_hunt(verifier_, &hardware_, wanted, from, action.lock, currents);
    if (judged.missing()) {
      // As in check_clearance: the field's distances may be too coarse.
      const ChannelDistance exact(verifier_.distance().exact_pointer());
      judged =
          judge_lock_hunt(MotionVerifier(design_, exact), &hardware_, wanted, from, action.lock, currents);
    }
    if (judged.shape == HuntShape::none)
      return here(fmt::format("there is no hunt to make for lock {}: {}", action.lock + 1, judged.objection));
    if (!judged.made()) return here(fmt::format("the hunt at lock {} {}", action.lock + 1, judged.objection));
    if (action.hunt->shape != judged.shape || action.hunt->turns != judged.turns ||
        action.hunt->corners_per_turn != judged.corners_per_turn ||
        std::abs(action.hunt->radius_mm - judged.radius_mm) > kSameInsertion_mm)
      return here(fmt::format("the hunt at lock {} is another than the scene's: a {} of {} mm",
                              action.lock + 1, name_of(judged.shape), judged.radius_mm));
    return std::nullopt;
  }

  // --- Target ---

  /// Does the way in pass the scene's places in their order? They are passed on the way from the entry.
  MaybeDefect check_vias() const {
    if (plan_.from_elsewhere && !scene_.vias.empty())
      return whole(
          "it begins elsewhere than at the entry, and the scene has places to pass on the way from there",
          "plan from the entry, or leave [[via]] out of the scene");
    PlacesPassed places(scene_.vias, kPlaceRounding);
    const auto pass = [&](int index) {
      places.pass(scene_.entry.X_SE * Shape(design_, state(index)).tip_E());
    };
    pass(0);
    for (const PlannedAction& action : plan_.actions)
      if (action.leg == Leg::in) pass(action.to);
    if (places.all()) return std::nullopt;
    return whole(
        fmt::format("no state of the way in has its tip at place {} of those to pass", places.missing() + 1));
  }

  MaybeDefect check_target() const {
    const Eigen::Isometry3d tip_S = scene_.entry.X_SE * Shape(design_, state(plan_.reached_state)).tip_E();
    const Target& target = scene_.target;
    const double error_mm = (tip_S.translation() - target.point_S).norm();
    if (!(error_mm <= target.tolerance_mm + kSameClearance_mm))
      return whole(fmt::format("the tip ends {:.3f} mm from the target, which may be {} mm off", error_mm,
                               target.tolerance_mm));
    const double turn = turn_rad(target, tip_S);
    if (!(turn <= target.direction_tolerance_rad + kSameBend_rad))
      return whole(
          fmt::format("the tip points {:.2f} degrees off the wanted direction, which may be {:.2f} off",
                      degrees(turn), degrees(target.direction_tolerance_rad)));
    return std::nullopt;
  }

  const Plan& plan_;
  Trust trust_;
  const Scene& scene_;
  const MotionVerifier& verifier_;
  const Design& design_;
  Hardware hardware_;
  double required_mm_;
  int at_ = 0;
};

}  // namespace

std::optional<PlanDefect> plan_defect(const Plan& plan, const PlanQuestion& question) {
  return PlanJudge(plan, question, PlanJudge::Trust::states_and_actions).run();
}

std::optional<PlanDefect> made_plan_defect(const Plan& plan, const PlanQuestion& question) {
  return PlanJudge(plan, question, PlanJudge::Trust::clearances_too).run();
}

}  // namespace withy
