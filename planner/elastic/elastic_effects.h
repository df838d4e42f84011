// SPDX-License-Identifier: GPL-3.0-or-later
// Which of the effects that the ideal segment leaves out matters most to a plan.
#pragma once

#include <array>
#include <string_view>
#include <vector>

#include "planner/elastic/follow_plan.h"

namespace withy {

enum class Effect { tendon_stretch, weight, backbone_stretch, friction, backlash };

inline constexpr std::array kEffects = {Effect::tendon_stretch, Effect::weight, Effect::backbone_stretch,
                                        Effect::friction, Effect::backlash};

/// "tendon stretch", "weight", "backbone stretch", "friction", "backlash".
std::string_view name_of(Effect effect);

/// Does the design have it: mass, locks whose backbones stretch, friction, backlash?
bool has(const Design& design, Effect effect);

/// The design without an effect: wires stiffer by kStiffer, no mass, no friction, no backlash.
Design without(const Design& design, const std::vector<Effect>& effects);

/// Wires this much stiffer stretch by about a thousandth of a millimetre.
inline constexpr double kStiffer = 1e4;

struct EffectShift {
  Effect effect = Effect::weight;
  /// How far the tip at the reach is from the ideal tip with this effect alone (mm); infinite where no body
  /// was found, as below.
  double alone_mm = 0.0;
  /// How far it moves when this effect alone is switched off (mm).
  double left_out_mm = 0.0;
};

/// Of the effects that the design has, in the order of kEffects; nothing where the plan itself is not
/// followed to its reach.
std::vector<EffectShift> effect_shifts(const Design& design, const Plan& plan,
                                       const PullCorrections& corrections, const FollowSettings& settings);

}  // namespace withy
