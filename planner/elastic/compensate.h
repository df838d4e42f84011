// SPDX-License-Identifier: GPL-3.0-or-later
// Pulls that bring the elastic body where the plan means it to be.
//
// In each state that a motion of the plan leads to, the unknown is the couple that the tendons make at the
// tip's side. Its tensions there are those of least total, none below T_pre (planner/segment/tendons.h); at
// the base they are what friction makes of them, a tendon whose tension need not change keeping what it has
// there; pulls follow. The couple is chosen so that
//     before a lock engages      the backbones' own slides there are the planned ones,
//     before a lock opens        the latch carries least,
//     where the target is met    the tip is at the target, its direction within the cone; or else nearest
//                                to it with its direction within the cone, if near enough,
//     elsewhere                  |tip - planned tip|^2 + (10 mm * angle of the tip's directions)^2 is least,
// each by Gauss-Newton with difference quotients, then walked, from the best of no correction, that of the
// state before and that of an earlier state at the same place; none is kept that is worse than these.
// Friction and slack tendons make kinks that slopes do not see: what is left at a lock or the target is
// searched for by a compass (R. Hooke and T. A. Jeeves, "Direct Search", J. ACM 8(2), 1961). Between states
// corrections are linear, and the body is followed there step by step, so that friction is as it will be on
// the bench. Start and end keep the ideal pulls, which are zero.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "planner/elastic/elastic_demand.h"
#include "planner/elastic/follow_plan.h"

namespace withy {

/// Arm (mm) that makes a length of an angle of the tip, where tip and direction are weighed together.
inline constexpr double kDirectionArm_mm = 10.0;

struct Compensation {
  PullCorrections corrections;
  std::optional<ElasticFault> fault;
  std::int64_t work = 0;  ///< as Effort counts it
};

Compensation compensate(const Design& design, const Plan& plan, const ElasticTarget& target,
                        const FollowSettings& settings);

/// Steps and elements with which the pulls are looked for that go into scripts. Chosen: a plan's pulls in
/// some tenths of a second; so few elements put the tip off by 0.05 mm at the most (kUsualElements).
inline constexpr double kScriptStep_mm = 4.0;
inline constexpr int kScriptElements = 16;

/// How they are looked for everywhere, so that a plan has one script.
inline FollowSettings script_settings() {
  FollowSettings settings;
  settings.step_mm = kScriptStep_mm;
  settings.elements = kScriptElements;
  return settings;
}

}  // namespace withy
