// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/field_reason.h"

#include <array>
#include <cmath>
#include <optional>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/field.h"
#include "planner/segment/hardware.h"

namespace withy {
namespace {

// Clockings are turned by these, either way (degrees): the least that does is named.
constexpr std::array kReasonTurns_deg = {15.0, 30.0, 45.0, 60.0, 75.0, 90.0, 120.0, 150.0, 180.0};

/// The first step that the field or the magnets forbid.
struct Forbidden {
  std::size_t step = 0;
  HardwareBreach breach;
};

std::optional<Forbidden> first_forbidden(const Hardware& hardware, const Route& route) {
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const RouteStep& step = route.steps[i];
    const State& before = route.state_before(i);
    if (step.lock < 0) {
      if (auto breach = hardware.coupling_motion_breach(before, step.to)) return Forbidden{i, *breach};
      continue;
    }
    // A plan comes back by the way it went.
    for (const State* state : {&before, &step.to})
      if (auto breach = hardware.switch_breach(*state, step.lock)) return Forbidden{i, *breach};
  }
  return std::nullopt;
}

std::string pose(const Design& design, const State& state) {
  Eigen::Vector2d bend = Eigen::Vector2d::Zero();
  for (const Region& region : regions_of(design, state)) bend += region.theta;
  return fmt::format("at {:.1f} mm of insertion, bent by {:.0f} degrees", state.insertion_mm,
                     degrees(bend.norm()));
}

/// One lock turned so that the whole route is allowed.
std::string clocking_that_does(const Design& design, const Route& route) {
  // One magnet alone in a uniform field doesn't care how it is turned.
  if (design.lock_count() < 2 && design.field()->coils.empty()) return {};
  for (const double turn : kReasonTurns_deg)
    for (int lock = 0; lock < design.lock_count(); ++lock)
      for (const double side : {-1.0, 1.0}) {
        DesignParts parts = design.parts();
        double& clock = parts.layout.clock_rad[static_cast<std::size_t>(lock)];
        const double before = degrees_to_write(clock);
        const double after = std::remainder(before + side * turn, 360.0);
        clock = after / kDegreesPerRadian;
        const auto turned = Design::make(std::move(parts));
        if (!turned || first_forbidden(Hardware(*turned), route)) continue;
        return fmt::format("lock {} clocked at {:.4g} instead of {:.4g} degrees would do there", lock + 1,
                           after, before);
      }
  return "turning one lock's clocking does not help there";
}

}  // namespace

std::string field_reason(const Design& design, const Route& route) {
  if (const auto near = too_near(design)) return sentence_of(*near, design);
  std::string what = "no allowed field switches a lock where it would have to";
  if (const auto forbidden = first_forbidden(Hardware(design), route)) {
    what += fmt::format(": on the route found without the field, {}, {}",
                        pose(design, route.state_before(forbidden->step)), forbidden->breach.sentence());
    const std::string clocking = clocking_that_does(design, route);
    if (!clocking.empty()) what += "; " + clocking;
  }
  return what + "; with any field the target would be reached";
}

}  // namespace withy
