// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/numbers.h"

#include <cmath>

namespace withy {

double degrees_to_write(double radians) {
  constexpr double kDigits = 1e10;
  return std::round(degrees(radians) * kDigits) / kDigits + 0.0;
}

}  // namespace withy
