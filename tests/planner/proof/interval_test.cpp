// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's intervals against MPFI (multiple precision intervals): what MPFI encloses at 200 bits lies
// within them.
#include "planner/proof/interval/interval.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>
#include <mpfi.h>
#include <mpfi_io.h>

using withy::recheck::Interval;

namespace {

constexpr unsigned kSeed = 1611;
constexpr int kCases = 10000;

/// An MPFI number at 200 bits.
class Exact {
 public:
  Exact() { mpfi_init2(value_, 200); }
  explicit Exact(double x) : Exact() { mpfi_set_d(value_, x); }
  explicit Exact(const Interval& x) : Exact() { mpfi_interv_d(value_, x.lo, x.hi); }
  Exact(const Exact&) = delete;
  Exact& operator=(const Exact&) = delete;
  ~Exact() { mpfi_clear(value_); }
  mpfi_t& get() { return value_; }
  /// Does the interval hold all of this?
  bool within(const Interval& x) const {
    return mpfr_cmp_d(&value_->left, x.lo) >= 0 && mpfr_cmp_d(&value_->right, x.hi) <= 0;
  }

 private:
  mpfi_t value_;
};

Interval random_interval(std::mt19937_64& random, double size) {
  std::uniform_real_distribution<double> at(-size, size);
  const double a = at(random);
  const double width = std::exp2(std::uniform_real_distribution<double>(-60.0, 0.0)(random)) * size;
  return random() % 3 == 0 ? Interval(a) : Interval(a, a + width);
}

}  // namespace

TEST_CASE("interval operations enclose what MPFI encloses") {
  std::mt19937_64 random(kSeed);
  CAPTURE(kSeed);
  for (int i = 0; i < kCases; ++i) {
    const double size = std::exp2(std::uniform_real_distribution<double>(-30.0, 30.0)(random));
    const Interval a = random_interval(random, size);
    const Interval b = random_interval(random, 3.0);
    CAPTURE(a.lo, a.hi, b.lo, b.hi);
    Exact x(a);
    Exact y(b);
    Exact out;
    mpfi_add(out.get(), x.get(), y.get());
    REQUIRE(out.within(a + b));
    mpfi_sub(out.get(), x.get(), y.get());
    REQUIRE(out.within(a - b));
    mpfi_mul(out.get(), x.get(), y.get());
    REQUIRE(out.within(a * b));
    mpfi_sqr(out.get(), x.get());
    REQUIRE(out.within(square(a)));
    if (b.lo > 0.0 || b.hi < 0.0) {
      mpfi_div(out.get(), x.get(), y.get());
      REQUIRE(out.within(a / b));
    }
    if (a.lo >= 0.0) {
      mpfi_sqrt(out.get(), x.get());
      REQUIRE(out.within(sqrt(a)));
    }
  }
}

TEST_CASE("sine, cosine and their kin enclose what MPFI encloses, and closely") {
  std::mt19937_64 random(kSeed);
  CAPTURE(kSeed);
  for (int i = 0; i < kCases; ++i) {
    const double size = std::exp2(std::uniform_real_distribution<double>(-20.0, 12.0)(random));
    const Interval a =
        i % 8 == 0 ? Interval(std::ldexp(std::round(size), -1) * M_PI) : random_interval(random, size);
    CAPTURE(a.lo, a.hi);
    Exact x(a);
    Exact out;
    const auto sc = withy::recheck::sine_cosine(a);
    mpfi_sin(out.get(), x.get());
    REQUIRE(out.within(sc.sine));
    mpfi_cos(out.get(), x.get());
    REQUIRE(out.within(sc.cosine));
    if (a.lo == a.hi && std::abs(a.lo) < 100.0) CHECK(sc.sine.hi - sc.sine.lo < 1e-14);
    if (a.lo > 0.0 && a.lo == a.hi) {
      mpfi_sin(out.get(), x.get());
      mpfi_div(out.get(), out.get(), x.get());
      REQUIRE(out.within(withy::recheck::sinc_of_square(square(a))));
    }
    if (a.lo >= 0.0 && a.hi <= 64.0) {
      mpfi_exp(out.get(), x.get());
      REQUIRE(out.within(withy::recheck::exponential(a)));
    }
    Exact degrees;
    Exact factor;
    mpfi_const_pi(factor.get());
    mpfi_div_ui(factor.get(), factor.get(), 180);
    mpfi_mul(degrees.get(), x.get(), factor.get());
    REQUIRE(degrees.within(withy::recheck::radians(a)));
  }
}

TEST_CASE("the next double is the next") {
  using withy::recheck::next_down;
  using withy::recheck::next_up;
  const double infinity = withy::recheck::kInfinity;
  for (const double x : {0.0, -0.0, 1.0, -1.0, 5e-324, -5e-324, 1e308, -1e308, 0.1}) {
    CHECK(next_up(x) == std::nextafter(x, infinity));
    CHECK(next_down(x) == std::nextafter(x, -infinity));
  }
  CHECK(next_up(infinity) == infinity);
  CHECK(next_down(-infinity) == -infinity);
}
