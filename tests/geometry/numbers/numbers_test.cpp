// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/numbers.h"

#include <cmath>

#include <catch2/catch.hpp>

TEST_CASE("Degrees that were read are written as they were: whole, in tenths, negative, and never -0") {
  for (int tenths = -3600; tenths <= 3600; ++tenths) {
    const double read = tenths / 10.0;
    CHECK(withy::degrees_to_write(read * withy::kRadiansPerDegree) == read);
  }
  CHECK_FALSE(std::signbit(withy::degrees_to_write(-0.0)));
}

TEST_CASE("Half a turn is 180 degrees, and back") {
  CHECK(withy::degrees(std::acos(-1.0)) == Approx(180.0).epsilon(1e-15));
  CHECK(180.0 * withy::kRadiansPerDegree == Approx(std::acos(-1.0)).epsilon(1e-15));
}
