// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/switching/switch_remedies.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <utility>

#include "geometry/numbers/rounding.h"

namespace withy {
namespace {

// Shares of the largest insertion.
constexpr std::array kDepths = {1.0, 0.5};

// Magnets are tried above the least that a lock alone would need, for others push it: these shares more.
constexpr std::array kStrongerMagnets = {0.0, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0};

using Visit = std::function<bool(const BendPose&, const SwitchCase&)>;

/// Every switch of the grid until `visit` says true.
bool any_switch(const Design& design, const BendGrid& grid, const Effort& effort, const Visit& visit) {
  const std::vector<SwitchCase> cases = switch_cases(design);
  const bool placed = design.field() && !design.field()->coils.empty();
  for (const double depth : kDepths) {
    DesignParts parts = design.parts();
    parts.carriage.insertion_max_mm *= depth;
    const auto there = Design::make(std::move(parts));
    if (!there) break;
    for (const BendPose& pose : bend_poses(*there, grid))
      for (const SwitchCase& which : cases) {
        if (effort.cut_short()) return false;
        if (visit(pose, which)) return true;
      }
    if (!placed) break;
  }
  return false;
}

/// The design so changed, where a lock switches in it.
bool would_do(const Design& design, const Effort& effort, const std::function<void(DesignParts&)>& change) {
  DesignParts parts = design.parts();
  change(parts);
  const auto changed = Design::make(std::move(parts));
  return changed && some_lock_switches(*changed, kRemedyBends, effort);
}

/// The largest share of its limit that a coil's current has; 0 without limits.
double share_of_limits(const FieldHardware& field, const Currents& current_A) {
  double most = 0.0;
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    if (field.coils[k].current_max_A)
      most =
          std::max(most, std::abs(current_A(static_cast<Eigen::Index>(k))) / *field.coils[k].current_max_A);
  return most;
}

/// 0 without limits.
double largest_current_limit_A(const FieldHardware& field) {
  double most = 0.0;
  for (const Coil& coil : field.coils) most = std::max(most, coil.current_max_A.value_or(0.0));
  return most;
}

/// What the least currents come to that switch a lock whatever the limits: the least field limit and the
/// least share of the coils' limits, over the grid.
struct LeastNeeds {
  double strength_mT = kInfinity;
  double current_share = kInfinity;
};

LeastNeeds least_needs(const Design& design, const Effort& effort) {
  LeastNeeds least;
  any_switch(design, kRemedyBends, effort, [&](const BendPose& pose, const SwitchCase& which) {
    const auto any = unlimited_currents(design, pose.locks, which.engaged, only(which.lock), 1.0);
    if (!any) return false;
    least.strength_mT = std::min(least.strength_mT, any->strength_mT);
    least.current_share = std::min(least.current_share, share_of_limits(*design.field(), any->current_A));
    return false;
  });
  return least;
}

std::optional<double> stronger_magnet(const Design& design, double most_Am2, const Effort& effort) {
  const LockHardware& lock = design.lock();
  const FieldHardware& field = *design.field();
  const double stroke = std::abs(lock.angle_latched_rad - lock.angle_free_rad);
  const double torque_mT = field.strength_max_mT * std::cos(0.5 * stroke) - field.ambient_mT;
  if (torque_mT <= 0.0) return std::nullopt;  // the ambient field alone takes as much from any magnet
  for (const double more : kStrongerMagnets) {
    const double magnet = three_digits(lock.switch_torque_Nmm / torque_mT * (1.0 + more), true);
    if (magnet > most_Am2) break;
    if (magnet > lock.magnet_Am2 &&
        would_do(design, effort, [&](DesignParts& parts) { parts.lock->magnet_Am2 = magnet; }))
      return magnet;
  }
  return std::nullopt;
}

}  // namespace

bool some_lock_switches(const Design& design, const BendGrid& grid, const Effort& effort) {
  return any_switch(design, grid, effort, [&](const BendPose& pose, const SwitchCase& which) {
    return best_currents(design, pose.locks, which.engaged, only(which.lock), 1.0, 1.0).has_value();
  });
}

SwitchRemedies switch_remedies(const Design& design, const MostAsked& most, const Effort& effort) {
  SwitchRemedies remedies;
  if (stroke_too_wide(design.lock())) return remedies;
  const LeastNeeds least = least_needs(design, effort);
  const double limit = three_digits(least.strength_mT, true);
  if (limit <= most.strength_max_mT && limit > design.field()->strength_max_mT &&
      would_do(design, effort, [&](DesignParts& parts) { parts.field->strength_max_mT = limit; }))
    remedies.strength_max_mT = limit;
  const double factor = three_digits(least.current_share, true);
  const auto more_current = [&](DesignParts& parts) {
    for (Coil& coil : parts.field->coils)
      if (coil.current_max_A) *coil.current_max_A *= factor;
  };
  const double current_A = factor * largest_current_limit_A(*design.field());
  if (factor > 1.0 && factor < kInfinity && current_A <= most.current_A &&
      would_do(design, effort, more_current))
    remedies.current_factor = factor;
  remedies.magnet_Am2 = stronger_magnet(design, most.magnet_Am2, effort);
  return remedies;
}

}  // namespace withy
