// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers kept in single precision, rounded the way that a bound needs.
//
// A conversion to float is to the nearest: off by at most half a unit in the last place, kFloatUnit of the
// number (IEEE 754-2019, 4.3.1; no number here is near the subnormal ones). Where a bound must not lose by
// it, it is rounded up or down.
#pragma once

#include <cmath>
#include <limits>

namespace withy {

/// The largest relative error of one operation in single precision.
inline constexpr double kFloatUnit = 0x1p-24;

/// The least float that is not below x.
inline float float_above(double x) {
  const auto nearest = static_cast<float>(x);
  return static_cast<double>(nearest) >= x ? nearest
                                           : std::nextafter(nearest, std::numeric_limits<float>::infinity());
}

/// The largest float that is not above x.
inline float float_below(double x) {
  return -float_above(-x);
}

}  // namespace withy
