// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/rounding.h"

#include <random>

#include <catch2/catch.hpp>

TEST_CASE("Three digits up is never less and hardly more, down never more and hardly less") {
  const unsigned seed = 5;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::lognormal_distribution<double> draw(0.0, 6.0);
  for (int i = 0; i < 10000; ++i) {
    const double value = draw(random);
    CAPTURE(value);
    CHECK(withy::three_digits(value, true) >= value * (1.0 - 1e-8));
    CHECK(withy::three_digits(value, true) <= value * 1.0101);
    CHECK(withy::three_digits(value, false) <= value * (1.0 + 1e-8));
    CHECK(withy::three_digits(value, false) >= value * 0.9899);
  }
  CHECK(withy::three_digits(3.6062, true) == Approx(3.61));
  CHECK(withy::three_digits(3.6062, false) == Approx(3.60));
  CHECK(withy::three_digits(3.5, true) == Approx(3.5));
  CHECK(withy::three_digits(-1.0, true) == -1.0);
}

TEST_CASE("A reserve is printed as no more than it is, but for what a search leaves open") {
  CHECK(withy::decimals_down(1.1679, 3) == Approx(1.167));
  CHECK(withy::decimals_down(1.3999, 2) == Approx(1.39));
  CHECK(withy::decimals_down(1.5 - 1e-7, 3) == Approx(1.5));
}
