// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/figures.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "planner/segment/curvature_limit.h"
#include "planner/segment/field.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

void raise(std::optional<double>& largest, double value) {
  largest = std::max(largest.value_or(0.0), value);
}

/// A bound of the state's own clearance may lie below the truth by as much as the plan's slack.
void raise_to_passing_actions(Plan& plan) {
  for (const PlannedAction& action : plan.actions)
    for (const int end : {action.from, action.to}) {
      double& clearance_mm = plan.states[static_cast<std::size_t>(end)].clearance_mm;
      clearance_mm = std::max(clearance_mm, action.clearance_mm);
    }
}

/// The strength at the lock where it is largest, for a switch in `before`.
double largest_field_mT(const Design& design, const State& before, const std::vector<double>& current_A) {
  const LockPoses poses = lock_poses_E(design, before);
  const Currents I = Eigen::Map<const Eigen::VectorXd>(current_A.data(), std::ssize(current_A));
  double largest = 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock)
    largest = std::max(largest, field_at_lock_S(design, poses, lock, I).norm());
  return largest;
}

void include_state(const Design& design, const State& state, const HardwareUse& use, PlanExtremes& largest) {
  for (const double T : use.tension_N) raise(largest.tension_N, T);
  for (const double pull : use.pull_mm) raise(largest.pull_mm, std::abs(pull));
  for (const double moment : use.lock_moment_Nmm) raise(largest.lock_moment_Nmm, moment);
  largest.insertion_mm = std::max(largest.insertion_mm, state.insertion_mm);
  largest.curvature_per_mm = std::max(largest.curvature_per_mm, largest_curvature(design, state));
}

/// The corners of a hunt, where what it asks of the hardware is greatest.
std::vector<State> hunt_corners(const Design& design, const State& centre, int lock) {
  const HuntTrack track = lock_hunt_track(design, centre, lock);
  std::vector<State> corners = hunt_states(design, centre, lock, track);
  const std::vector<State> latched = latched_hunt_states(design, centre, lock, track);
  corners.insert(corners.end(), latched.begin(), latched.end());
  return corners;
}

PlanExtremes largest_of(const Hardware& hardware, const Plan& plan) {
  const Design& design = hardware.design();
  PlanExtremes largest;
  if (design.field()) largest.field_mT = 0.0;
  for (const PlannedState& state : plan.states) include_state(design, state, state.use, largest);
  for (const PlannedAction& action : plan.actions) {
    if (action.field_largest_mT) raise(largest.field_mT, *action.field_largest_mT);
    if (!action.hunt || !action.hunt->made()) continue;
    const State& before = plan.states[static_cast<std::size_t>(action.from)];
    for (const State& corner : hunt_corners(design, before, action.lock))
      include_state(design, corner, hardware.use(corner), largest);
  }
  return largest;
}

}  // namespace

void work_out_figures(const Hardware& hardware, PlannedState& state) {
  state.use = hardware.use(state);
  state.tip_E = Shape(hardware.design(), state).tip_E();
}

void work_out_figures(const Hardware& hardware, Plan& plan) {
  for (PlannedState& state : plan.states) work_out_figures(hardware, state);
  raise_to_passing_actions(plan);
  for (PlannedAction& action : plan.actions)
    if (action.field_S)
      action.field_largest_mT = largest_field_mT(
          hardware.design(), plan.states[static_cast<std::size_t>(action.from)], action.current_A);
  plan.largest = largest_of(hardware, plan);
}

}  // namespace withy
