// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/route.h"

#include <algorithm>
#include <string>

#include <fmt/core.h>

#include "planner/segment/latch.h"

namespace withy {

namespace {

/// As few decimals, two at least, as tell the first number from the second and show that one whole.
int digits_apart(double found_mm, double required_mm) {
  constexpr int kFewest = 2, kMost = 6;
  int digits = kFewest;
  const auto shown = [&](double mm) { return fmt::format("{:.{}f}", mm, digits); };
  while (digits < kMost &&
         (std::stod(shown(required_mm)) != required_mm || shown(found_mm) == shown(required_mm)))
    ++digits;
  return digits;
}

}  // namespace

int Route::switches() const {
  return static_cast<int>(
      std::count_if(steps.begin(), steps.end(), [](const RouteStep& s) { return s.lock >= 0; }));
}

Route reversed(const Route& route) {
  Route back{{}, route.state_before(route.steps.size())};
  for (std::size_t i = route.steps.size(); i-- > 0;) {
    const RouteStep& step = route.steps[i];
    back.steps.push_back({step.lock, step.lock >= 0 && !step.engages, route.state_before(i)});
  }
  return back;
}

ActionKind motion_kind(const State& from, const State& to) {
  const bool moves = from.insertion_mm != to.insertion_mm;
  const bool bends = from.u_free != to.u_free;
  if (moves && bends) return ActionKind::steer;
  return bends ? ActionKind::bend : ActionKind::advance;
}

bool StepJudge::within_limits_all_along(const State& from, const State& to) const {
  return within_limits(problem_.design, from) && within_limits(problem_.design, to) &&
         !(problem_.heeded.tendons && hardware_.motion_breach(from, to)) &&
         !(problem_.heeded.field && hardware_.coupling_motion_breach(from, to));
}

/// A clearance within the slack that the verifier's own figures have is left to the verifier, so that those
/// figures bear a plan out.
MotionLook::Finding StepJudge::look_at(const State& from, const State& to) const {
  if (!within_limits_all_along(from, to)) return MotionLook::Finding::not_clear;
  if (!problem_.heeded.clearance) return MotionLook::Finding::clear;
  const double required = problem_.required_clearance_mm;
  return look_ ? look_->look(from, to, required, required + kClearanceSlack_mm) : MotionLook::Finding::unsure;
}

bool StepJudge::motion_allowed(const State& from, const State& to) const {
  const auto finding = look_at(from, to);
  return finding == MotionLook::Finding::unsure ? verifier_.clears(from, to, problem_.required_clearance_mm)
                                                : finding == MotionLook::Finding::clear;
}

LockHunt StepJudge::hunt_with(const State& before, int lock, const std::optional<SwitchChoice>& field) const {
  return judge_lock_hunt(verifier_, problem_.heeded.tendons ? &hardware_ : nullptr,
                         problem_.required_clearance_mm, before, lock,
                         field ? &field->currents.current_A : nullptr);
}

LockSwitch StepJudge::lock_switch(const State& before, int lock) const {
  LockSwitch out;
  if (problem_.heeded.field && hardware_.checks_field()) out.field = hardware_.switch_choice(before, lock);
  const auto& latch = problem_.design.latch();
  const bool engages = !before.engaged.test(static_cast<std::size_t>(lock));
  if (!engages || !problem_.heeded.latch || !latch || latch->hunt_mm <= 0.0) return out;
  out.hunt = hunt_with(before, lock, out.field);
  if (!out.field || !out.hunt->field_lost) return out;
  const std::vector<SweepCorners> sweeps = lock_hunt_sweeps(problem_.design, before, lock);
  auto field = choose_swept_field(problem_.design, before, lock, sweeps);
  if (!field) return out;
  const LockHunt hunt = hunt_with(before, lock, field);
  if (hunt.made()) out = {std::move(field), hunt};
  return out;
}

std::string StepJudge::objection(const State& from, const State& to) const {
  if (!within_limits(problem_.design, from) || !within_limits(problem_.design, to))
    return fmt::format(
        "a curvature would be above the limit of {:.4g} per mm, or the insertion out of its range",
        problem_.design.segment().curvature_max_per_mm);
  if (problem_.heeded.tendons)
    if (const auto breach = hardware_.motion_breach(from, to)) return breach->sentence();
  if (problem_.heeded.field)
    if (const auto breach = hardware_.coupling_motion_breach(from, to)) return breach->sentence();
  if (!problem_.heeded.clearance || verifier_.clears(from, to, problem_.required_clearance_mm)) return {};
  const MotionClearance c = verifier_.clearance(from, to);
  const double depth = std::max(from.insertion_mm, to.insertion_mm);
  const std::string where = fmt::format("at an insertion of up to {:.1f} mm", depth);
  if (c.upper_mm < 0.0) return "the body would touch the wall " + where;
  const double required = problem_.required_clearance_mm;
  const int digits = digits_apart(c.upper_mm, required);
  if (c.upper_mm >= required)
    return fmt::format("it can't be proved that the body keeps {:.{}f} mm from the wall {}", required, digits,
                       where);
  return fmt::format("the body would come within {:.{}f} mm of the wall ({:.{}f} mm required) {}", c.upper_mm,
                     digits, required, digits, where);
}

bool StepJudge::latchable(const State& state, int lock) const {
  if (!problem_.heeded.latch || !problem_.design.latch()) return true;
  const Eigen::Vector2d sum = bend_up_to_lock(state, lock);
  const auto latched = latched_bend(exact_latch(*problem_.design.latch(), kLatchRounding_rad), sum);
  return latched && (*latched - sum).norm() <= kLatchRounding_rad;
}

bool StepJudge::switch_allowed(const State& before, int lock, const State& after) const {
  const bool engages = !before.engaged.test(static_cast<std::size_t>(lock));
  const State& engaged = engages ? after : before;
  if (!unlock_keeps_shape(problem_.design, engaged, lock)) return false;
  // Locks distal of this one may rest on it: each frozen bend's own lock must hold a latchable sum, which a
  // switch elsewhere leaves as it was. Only the switched lock's sum is new.
  if (!latchable(engaged, lock)) return false;
  if (problem_.heeded.field && !field_allows(before, lock, after)) return false;
  return !problem_.hunts_wanted || !lock_switch(engages ? before : after, lock).lacks_hunt();
}

bool StepJudge::field_allows(const State& before, int lock, const State& after) const {
  if (hardware_.coupling_breach(before) || hardware_.coupling_breach(after)) return false;
  return hardware_.may_switch(before, lock) && hardware_.may_switch(after, lock);
}

}  // namespace withy
