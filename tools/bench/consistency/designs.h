// SPDX-License-Identifier: GPL-3.0-or-later
// Random designs for a random channel.
#pragma once

#include "planner/segment/design.h"
#include "tools/bench/consistency/channels.h"

namespace withy::consistency {

/// Where lock bodies touch, nothing flexible is between two locks, or between the first and the base.
enum class LocksLie { apart, touching, at_the_base };

struct RandomDesign {
  DesignParts parts;  ///< without a fault; R_SE is the entry's on reading
  LocksLie lie = LocksLie::apart;
};

RandomDesign random_design(Chance& chance, const RandomChannel& channel);

const char* name_of(LocksLie lie);

}  // namespace withy::consistency
