// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers with at most six significant digits, and places, for people.
#pragma once

#include <cmath>
#include <cstdlib>
#include <string>

#include <Eigen/Core>
#include <fmt/core.h>

namespace withy {

/// "0.06" for 0.060000000000000005: to the nearest.
inline std::string shown(double value) {
  return fmt::format("{:.6g}", value);
}

/// What one of the last of six digits is worth.
inline double last_digit_shown(double value) {
  constexpr int kDigits = 6;
  return std::pow(10.0, std::floor(std::log10(std::abs(value))) - (kDigits - 1));
}

/// Not above the value: a limit from above that may be given as it stands.
inline std::string shown_at_most(double value) {
  const std::string nearest = shown(value);
  return std::isfinite(value) && std::strtod(nearest.c_str(), nullptr) > value
             ? shown(value - last_digit_shown(value))
             : nearest;
}

/// Not below the value: a limit from below that may be given as it stands.
inline std::string shown_at_least(double value) {
  const std::string nearest = shown(value);
  return std::isfinite(value) && std::strtod(nearest.c_str(), nullptr) < value
             ? shown(value + last_digit_shown(value))
             : nearest;
}

/// A place in mm with two decimals, and never "-0.00".
inline std::string spoken_point(const Eigen::Vector3d& exact) {
  const Eigen::Vector3d p = (exact.array() * 100.0).round() / 100.0 + 0.0;
  return fmt::format("({:.2f}, {:.2f}, {:.2f}) mm", p.x(), p.y(), p.z());
}

}  // namespace withy
