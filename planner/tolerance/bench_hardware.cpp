// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/bench_hardware.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "planner/plan/lock_hunt.h"
#include "planner/segment/rotation.h"

namespace withy {
namespace {

/// Bend from the base to a lock, engaged or not.
Eigen::Vector2d bend_up_to(const Design& design, const State& state, int lock) {
  const auto regions = regions_of(design, state);
  const std::size_t at = region_index(state.engaged, lock);
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (std::size_t r = 0; r < at; ++r) sum += regions[r].theta;
  const double before =
      exposed_flexible_length(design, state.insertion_mm, regions[at].from_mm, design.station_mm(lock));
  return sum + before * regions[at].u;
}

/// The fractions of a chord from a to b at which |x| <= most.
struct Fractions {
  double lo = 0.0;
  double hi = 1.0;
  void within(double a, double b, double most) {
    const double slope = b - a;
    if (slope == 0.0) {
      if (std::abs(a) > most) hi = -1.0;
      return;
    }
    const auto [first, last] = std::minmax({(-most - a) / slope, (most - a) / slope});
    lo = std::max(lo, first);
    hi = std::min(hi, last);
  }
  bool any() const { return lo <= hi; }
};

/// Is there a point of the chord from p to q that brings all backbones within the window?
bool drops_in(const LatchHardware& latch, const Eigen::Vector2d& p, const Eigen::Vector2d& q,
              const ElasticSlide& elastic) {
  Fractions fractions;
  for (std::size_t k = 0; k < latch.backbone_angle_rad.size(); ++k) {
    const double angle = latch.backbone_angle_rad[k];
    const Eigen::Vector2d e(std::cos(angle), std::sin(angle));
    const double rest = elastic.rest_of(static_cast<Eigen::Index>(k));
    fractions.within(e.dot(p) + rest, e.dot(q) + rest, latch.engage_window_mm);
  }
  return fractions.any();
}

}  // namespace

std::vector<PlannedSwitch> switches_in(const Design& design, const Plan& plan, const ElasticSlides& slides) {
  std::vector<PlannedSwitch> out;
  for (std::size_t i = 0; i < plan.actions.size(); ++i) {
    const PlannedAction& action = plan.actions[i];
    if (action.lock < 0) continue;
    PlannedSwitch planned;
    planned.before = plan.states[static_cast<std::size_t>(action.from)];
    planned.lock = action.lock;
    planned.engages = action.kind == ActionKind::lock;
    if (action.field_S)
      planned.current_A =
          Eigen::Map<const Eigen::VectorXd>(action.current_A.data(), std::ssize(action.current_A));
    if (action.hunt && action.hunt->made())
      planned.hunt = lock_hunt_track(design, planned.before, action.lock);
    planned.action = static_cast<int>(i);
    if (planned.engages && design.latch())
      planned.elastic = elastic_slide(*design.latch(), slides, planned.action);
    out.push_back(std::move(planned));
  }
  return out;
}

std::vector<State> states_in(const Plan& plan) {
  std::vector<State> out;
  for (const PlannedState& state : plan.states)
    if (std::find(out.begin(), out.end(), state) == out.end()) out.push_back(state);
  return out;
}

std::vector<State> swept_rims(const Design& design, const Plan& plan) {
  // Corners of a rim differ in their distance from the middle by rounding only.
  constexpr double kAtTheRim = 1.0 - 1e-9;
  std::vector<State> out;
  for (const PlannedSwitch& planned : switches_in(design, plan)) {
    if (planned.hunt.slide_mm.empty()) continue;
    const auto& track = planned.hunt.slide_mm;
    for (const SweepCorners& corners : lock_hunt_sweeps(design, planned.before, planned.lock))
      for (std::size_t i = 0; i < corners.size(); ++i)
        if (track[i].norm() >= kAtTheRim * planned.hunt.radius_mm &&
            std::find(out.begin(), out.end(), corners[i]) == out.end())
          out.push_back(corners[i]);
  }
  return out;
}

std::vector<ErrorDraw> with_frozen_errors(const Design& design, const std::vector<PlannedSwitch>& switches,
                                          const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E,
                                          const Eigen::MatrixXd& bend_per_pull) {
  if (!holds_by_friction(design)) return {errors};
  std::vector<ErrorDraw> out;
  ErrorDraw now = errors;
  LockSet engaged_once;
  for (const PlannedSwitch& planned : switches) {
    if (!planned.engages) continue;
    const auto lock = static_cast<std::size_t>(planned.lock);
    if (engaged_once.test(lock)) out.push_back(now);
    engaged_once.set(lock);
    const State made = Bench(design, now, channel_centre_E, bend_per_pull).state(planned.before);
    now.bend_at_lock[lock] = errors.bend_at_lock[lock] + bend_up_to(design, made, planned.lock) -
                             bend_up_to(design, planned.before, planned.lock);
    if (design.latch())
      now.bend_at_lock[lock] += planned.elastic.bend_mm / design.latch()->backbone_radius_mm;
  }
  out.push_back(std::move(now));
  return out;
}

Eigen::Vector2d BenchHardware::slide_error_mm(const State& before, int lock) const {
  const Design& design = hardware_.design();
  return design.latch()->backbone_radius_mm *
         (bend_up_to(design, bench_.state(before), lock) - bend_up_to(design, before, lock));
}

bool BenchHardware::engages(const PlannedSwitch& planned) const {
  const auto& latch = hardware_.design().latch();
  if (!planned.engages || !latch || latch->notch_pitch_mm <= 0.0) return true;
  const ElasticSlide& elastic = planned.elastic;
  const Eigen::Vector2d w = slide_error_mm(planned.before, planned.lock) + elastic.bend_mm;
  const double reach = w.norm() + elastic.most_rest_mm() + planned.hunt.radius_mm + latch->engage_window_mm;
  if (!(reach < 0.5 * latch->notch_pitch_mm)) return false;
  const auto& track = planned.hunt.slide_mm;
  if (track.empty()) return drops_in(*latch, w, w, elastic);
  for (std::size_t i = 0; i + 1 < track.size(); ++i)
    if (drops_in(*latch, track[i] + w, track[i + 1] + w, elastic)) return true;
  return false;
}

bool BenchHardware::switches(const PlannedSwitch& planned) const {
  const Design& design = hardware_.design();
  if (planned.current_A.size() == 0 || !design.field()) return true;
  const ErrorDraw& errors = bench_.errors();
  DesignParts parts = design.parts();
  const Eigen::Matrix3d R_SE = parts.R_SE;
  parts.R_SE = R_SE * rotation_by(errors.entry_turn);
  parts.p_SE += R_SE * errors.entry_position_mm;
  parts.lock->magnet_Am2 *= 1.0 + errors.magnet_strength;
  const auto real = Design::make(std::move(parts));
  assert(real);
  const Currents current_A = (1.0 + errors.coil_gain) * planned.current_A;
  const LockPoses poses = lock_poses_E(*real, bench_.state(planned.before));
  if (!(reserve_of(*real, poses, planned.before.engaged, planned.lock, current_A) >= 1.0)) return false;
  for (int lock = 0; lock < real->lock_count(); ++lock)
    if (field_at_lock_S(*real, poses, lock, current_A).norm() > real->field()->strength_max_mT) return false;
  return true;
}

}  // namespace withy
