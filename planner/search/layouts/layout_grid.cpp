// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/layout_grid.h"

#include <cassert>
#include <cmath>
#include <numbers>

namespace withy {

namespace {

// A station this much (mm) past a bound still stands on it: steps are not exact in binary.
constexpr double kOnBound_mm = 1e-9;

void add_stations(const DesignParts& parts, int left, double from_mm, double step_mm, const Effort& effort,
                  Stations& so_far, std::vector<Stations>& out) {
  if (effort.cut_short()) return;
  if (left == 0) {
    if (design_with(parts, so_far, Clockings(so_far.size(), 0.0))) out.push_back(so_far);
    return;
  }
  const double body = parts.lock->body_length_mm;
  const double last = parts.segment.length_mm - parts.segment.tip_rigid_mm - (left - 0.5) * body;
  for (double k = std::ceil((from_mm - kOnBound_mm) / step_mm); k * step_mm <= last + kOnBound_mm; ++k) {
    so_far.push_back(k * step_mm);
    add_stations(parts, left - 1, k * step_mm + body, step_mm, effort, so_far, out);
    so_far.pop_back();
  }
}

int steps_in_turn(const DesignParts& parts, double step_rad) {
  if (!parts.field) return 1;
  const int steps = static_cast<int>(std::lround(2.0 * std::numbers::pi / step_rad));
  assert(std::abs(steps * step_rad - 2.0 * std::numbers::pi) < 1e-9);
  return steps;
}

}  // namespace

std::optional<Design> design_with(const DesignParts& parts, const Stations& station_mm,
                                  const Clockings& clock_rad) {
  DesignParts wanted = parts;
  wanted.layout = {station_mm, clock_rad, false};
  auto design = Design::make(std::move(wanted));
  return design ? std::optional(std::move(*design)) : std::nullopt;
}

std::vector<Stations> grid_stations(const DesignParts& parts, int locks, double step_mm,
                                    const Effort& effort) {
  assert(step_mm > 0.0 && locks >= 1 && locks <= kMaxLocks && parts.lock);
  std::vector<Stations> out;
  Stations so_far;
  add_stations(parts, locks, 0.5 * parts.lock->body_length_mm, step_mm, effort, so_far, out);
  return out;
}

double clocking_count(const DesignParts& parts, int locks, double step_rad) {
  return std::pow(steps_in_turn(parts, step_rad), locks - 1);
}

std::vector<Clockings> grid_clockings(const DesignParts& parts, int locks, double step_rad) {
  const int steps = steps_in_turn(parts, step_rad);
  std::vector<Clockings> out = {{0.0}};
  for (int lock = 1; lock < locks; ++lock) {
    std::vector<Clockings> longer;
    for (const Clockings& so_far : out)
      for (int k = 0; k < steps; ++k) {
        longer.push_back(so_far);
        longer.back().push_back(k * step_rad);
      }
    out = std::move(longer);
  }
  return out;
}

}  // namespace withy
