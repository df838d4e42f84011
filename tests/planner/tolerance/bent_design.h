// SPDX-License-Identifier: GPL-3.0-or-later
// A segment of two locks, bent at random, and errors of its bends at their full size.
#pragma once

#include <cmath>
#include <random>

#include <boost/random/uniform_01.hpp>
#include <catch2/catch.hpp>

#include "planner/tolerance/errors.h"

namespace withy_test {

inline constexpr double kBentTendonRadius = 1.2;
inline constexpr double kBentBackboneRadius = 1.2;

inline withy::DesignParts bent_parts(withy::CarriageKind kind, bool tendons) {
  withy::DesignParts parts;
  parts.segment = {100.0, 1.5, 3.0, 0.04, 400.0};
  parts.carriage = {kind, 100.0};
  parts.lock = withy::LockHardware{4.0, 1.5, 0.004, 0.0, M_PI / 2, 0.01, 0.004, 1e6};
  parts.layout.station_mm = {33.0, 67.0};
  parts.layout.clock_rad = {0.0, 0.0};
  parts.latch = withy::LatchHardware{0.5, kBentBackboneRadius, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.02, 0.02};
  if (tendons)
    parts.tendons = withy::TendonHardware{
        kBentTendonRadius, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.0, 8.0, 0.2, 20.0, 0.1, withy::Motors::ride};
  return parts;
}

inline withy::Design bent_design(withy::CarriageKind kind, bool tendons) {
  auto made = withy::Design::make(bent_parts(kind, tendons));
  REQUIRE(made);
  return std::move(*made);
}

inline double even(double low, double high, std::mt19937_64& generator) {
  return low + (high - low) * boost::random::uniform_01<double>()(generator);
}

/// Of length `size`, in any direction.
template <class Vector>
Vector in_any_direction(double size, std::mt19937_64& generator) {
  while (true) {
    Vector v;
    for (double& x : v) x = even(-1.0, 1.0, generator);
    const double length = v.norm();
    if (length > 0.1 && length <= 1.0) return size / length * v;
  }
}

/// Both locks engaged, all regions bent within 0.03 / mm.
inline withy::State bent_state(const withy::Design& design, double insertion_mm, std::mt19937_64& generator) {
  withy::State state;
  state.insertion_mm = insertion_mm;
  state.engaged.set(0).set(1);
  state.theta_frozen.assign(2, Eigen::Vector2d::Zero());
  const auto regions = withy::regions_of(design, state);
  for (std::size_t i = 0; i < 2; ++i)
    state.theta_frozen[i] =
        regions[i].flexible_mm * in_any_direction<Eigen::Vector2d>(even(0.0, 0.03, generator), generator);
  state.u_free = in_any_direction<Eigen::Vector2d>(even(0.0, 0.03, generator), generator);
  return state;
}

inline double either_way(double size, std::mt19937_64& generator) {
  return even(0.0, 1.0, generator) < 0.5 ? size : -size;
}

/// Errors of the bends alone, each at its full size.
inline withy::ErrorDraw extreme_bends(const withy::Design& design, double backlash_rad, double gain,
                                      double offset_mm, std::mt19937_64& generator) {
  withy::ErrorDraw draw = withy::ErrorDraw::none(design);
  for (int lock = 0; lock < design.lock_count(); ++lock)
    draw.bend_at_lock[static_cast<std::size_t>(lock)] =
        in_any_direction<Eigen::Vector2d>(backlash_rad, generator);
  draw.pull_gain = either_way(gain, generator);
  for (double& offset : draw.pull_offset_mm) offset = either_way(offset_mm, generator);
  // Every other time opposite tendons are off the opposite way, which bends the most.
  if (draw.pull_offset_mm.size() == 4 && even(0.0, 1.0, generator) < 0.5)
    draw.pull_offset_mm.tail<2>() = -draw.pull_offset_mm.head<2>();
  return draw;
}

}  // namespace withy_test
