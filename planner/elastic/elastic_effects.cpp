// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_effects.h"

#include <cassert>
#include <optional>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

void switch_off(DesignParts& parts, Effect effect) {
  switch (effect) {
    case Effect::tendon_stretch:
      parts.elastic->tendon_EA_N *= kStiffer;
      return;
    case Effect::weight:
      parts.elastic->mass_g_per_mm = parts.elastic->lock_mass_g = 0.0;
      return;
    case Effect::backbone_stretch:
      parts.elastic->backbone_EA_N *= kStiffer;
      return;
    case Effect::friction:
      parts.tendons->friction_coefficient = 0.0;
      return;
    case Effect::backlash:
      // Without play there is no window, and without a window no hunt; the plan's own sweeps are still made.
      if (parts.latch) parts.latch->backlash_mm = parts.latch->engage_window_mm = parts.latch->hunt_mm = 0.0;
      return;
  }
}

/// Where the followed plan's tip is at the reach.
std::optional<Eigen::Vector3d> tip_at_reach(const Design& design, const Design& planned, const Plan& plan,
                                            const PullCorrections& corrections, FollowSettings settings) {
  settings.distance = nullptr;
  settings.planned = &planned;
  const FollowedPlan followed = follow_plan(design, plan, corrections, settings);
  const std::size_t reached = static_cast<std::size_t>(plan.reached_state);
  if (followed.states.size() <= reached) return std::nullopt;
  return followed.states[reached].reading.tip_E.translation();
}

}  // namespace

std::string_view name_of(Effect effect) {
  switch (effect) {
    case Effect::tendon_stretch:
      return "tendon stretch";
    case Effect::weight:
      return "weight";
    case Effect::backbone_stretch:
      return "backbone stretch";
    case Effect::friction:
      return "friction";
    case Effect::backlash:
      return "backlash";
  }
  return "";
}

bool has(const Design& design, Effect effect) {
  const ElasticHardware& elastic = *design.elastic();
  const bool locks = design.lock_count() > 0;
  switch (effect) {
    case Effect::tendon_stretch:
      return true;
    case Effect::weight:
      return elastic.mass_g_per_mm > 0.0 || (locks && elastic.lock_mass_g > 0.0);
    case Effect::backbone_stretch:
      return locks;
    case Effect::friction:
      return design.tendons()->friction_coefficient > 0.0;
    case Effect::backlash:
      return locks && design.latch()->backlash_mm > 0.0;
  }
  return false;
}

Design without(const Design& design, const std::vector<Effect>& effects) {
  DesignParts parts = design.parts();
  for (const Effect effect : effects) switch_off(parts, effect);
  auto made = Design::make(std::move(parts));
  assert(made);
  return std::move(*made);
}

std::vector<EffectShift> effect_shifts(const Design& design, const Plan& plan,
                                       const PullCorrections& corrections, const FollowSettings& settings) {
  const Eigen::Vector3d ideal =
      Shape(design, plan.states[static_cast<std::size_t>(plan.reached_state)]).tip_E().translation();
  const auto whole = tip_at_reach(design, design, plan, corrections, settings);
  std::vector<EffectShift> shifts;
  if (!whole) return shifts;
  for (const Effect effect : kEffects) {
    if (!has(design, effect)) continue;
    std::vector<Effect> others;
    for (const Effect other : kEffects)
      if (other != effect) others.push_back(other);
    const auto alone = tip_at_reach(without(design, others), design, plan, corrections, settings);
    const auto left_out = tip_at_reach(without(design, {effect}), design, plan, corrections, settings);
    shifts.push_back({effect, alone ? (*alone - ideal).norm() : kInfinity,
                      left_out ? (*left_out - *whole).norm() : kInfinity});
  }
  return shifts;
}

}  // namespace withy
