// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/rounding.h"

#include <cmath>

namespace withy {

double three_digits(double value, bool up) {
  if (value <= 0.0) return value;
  const double unit = std::pow(10.0, std::floor(std::log10(value)) - 2.0);
  const double units = value / unit;
  const double nearest = std::round(units);
  if (std::abs(units - nearest) < 1e-6) return nearest * unit;
  return (up ? std::ceil(units) : std::floor(units)) * unit;
}

double decimals_down(double value, int decimals) {
  const double steps = std::pow(10.0, decimals);
  return std::floor(value * steps + 1e-3) / steps;
}

}  // namespace withy
