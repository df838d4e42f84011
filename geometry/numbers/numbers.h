// SPDX-License-Identifier: GPL-3.0-or-later
// Constants and conversions of bare numbers.
#pragma once

#include <limits>
#include <numbers>

namespace withy {

inline constexpr double kInfinity = std::numeric_limits<double>::infinity();

inline constexpr double kDegreesPerRadian = 180.0 / std::numbers::pi;

inline constexpr double kRadiansPerDegree = std::numbers::pi / 180.0;

inline constexpr double degrees(double radians) {
  return radians * kDegreesPerRadian;
}

/// Degrees as files show them, without the last digits that the two factors leave: 33 degrees read and
/// written are 33 degrees. Never -0.
double degrees_to_write(double radians);

}  // namespace withy
