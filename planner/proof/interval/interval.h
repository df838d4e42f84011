// SPDX-License-Identifier: GPL-3.0-or-later
// Intervals of doubles whose ends are proved bounds, sine and cosine included.
//
// Rounding. IEEE 754 binary64, to nearest: the computed result of + - * / sqrt is one of the two doubles next
// to the exact one, so one step outward of it is a bound (next_up, next_down). No rounding mode is switched.
// (R. E. Moore, R. B. Kearfott, M. J. Cloud, "Introduction to Interval Analysis", SIAM 2009, chapters 2
// to 4.)
//
// sine and cosine: the argument less the nearest multiple n of pi/2 (pi/2 enclosed by two parts, the first of
// 33 bits, so that n times it is exact for |n| < 2^19; W. J. Cody and W. Waite, "Software Manual for the
// Elementary Functions", 1980), then the Taylor polynomial in intervals with Lagrange's remainder. An
// interval with a width w is enclosed by its middle and w, since neither function is steeper than 1. The test
// twin is MPFI.
#pragma once

#include <algorithm>
#include <bit>
#include <cassert>
#include <cmath>
#include <cstdint>
#include <limits>

namespace withy::recheck {

inline constexpr double kInfinity = std::numeric_limits<double>::infinity();

/// The next double towards +infinity; infinity and what is not a number stay.
inline double next_up(double x) {
  if (!(x < kInfinity)) return x;
  x += 0.0;  // -0 becomes +0
  const auto bits = std::bit_cast<std::int64_t>(x);
  return std::bit_cast<double>(bits + (bits >= 0 ? 1 : -1));
}
inline double next_down(double x) {
  return -next_up(-x);
}

/// A closed interval. Not a number anywhere makes every comparison false, so that nothing is proved by it.
struct Interval {
  double lo = 0.0;
  double hi = 0.0;

  constexpr Interval() = default;
  // NOLINTNEXTLINE(google-explicit-constructor): a double is an interval
  constexpr Interval(double x) : lo(x), hi(x) {}
  constexpr Interval(double low, double high) : lo(low), hi(high) {}

  double middle() const { return 0.5 * lo + 0.5 * hi; }
  /// At least the distance from middle() to either end.
  double radius() const { return next_up(std::max(next_up(hi - middle()), next_up(middle() - lo))); }
  bool holds(double x) const { return lo <= x && x <= hi; }
};

inline Interval outward(double lo, double hi) {
  return {next_down(lo), next_up(hi)};
}
inline Interval operator-(const Interval& a) {
  return {-a.hi, -a.lo};
}
inline Interval operator+(const Interval& a, const Interval& b) {
  return outward(a.lo + b.lo, a.hi + b.hi);
}
inline Interval operator-(const Interval& a, const Interval& b) {
  return outward(a.lo - b.hi, a.hi - b.lo);
}
inline Interval operator*(const Interval& a, const Interval& b) {
  const double p = a.lo * b.lo;
  const double q = a.lo * b.hi;
  const double r = a.hi * b.lo;
  const double s = a.hi * b.hi;
  return outward(std::min(std::min(p, q), std::min(r, s)), std::max(std::max(p, q), std::max(r, s)));
}
/// Precondition: 0 is not in b.
inline Interval operator/(const Interval& a, const Interval& b) {
  assert(b.lo > 0.0 || b.hi < 0.0);
  const double p = a.lo / b.lo;
  const double q = a.lo / b.hi;
  const double r = a.hi / b.lo;
  const double s = a.hi / b.hi;
  return outward(std::min(std::min(p, q), std::min(r, s)), std::max(std::max(p, q), std::max(r, s)));
}
inline Interval square(const Interval& a) {
  const double low = a.lo > 0.0 ? a.lo : a.hi < 0.0 ? -a.hi : 0.0;
  const double high = std::max(-a.lo, a.hi);
  return {std::max(0.0, next_down(low * low)), next_up(high * high)};
}
inline double square(double a) {
  return a * a;
}
/// Of what is not negative in a.
inline Interval sqrt(const Interval& a) {
  return {std::max(0.0, next_down(std::sqrt(std::max(0.0, a.lo)))), next_up(std::sqrt(std::max(0.0, a.hi)))};
}
inline Interval max(const Interval& a, const Interval& b) {
  return {std::max(a.lo, b.lo), std::max(a.hi, b.hi)};
}
inline Interval min(const Interval& a, const Interval& b) {
  return {std::min(a.lo, b.lo), std::min(a.hi, b.hi)};
}
inline Interval abs(const Interval& a) {
  return {a.lo > 0.0 ? a.lo : a.hi < 0.0 ? -a.hi : 0.0, std::max(-a.lo, a.hi)};
}
inline Interval hull(const Interval& a, const Interval& b) {
  return {std::min(a.lo, b.lo), std::max(a.hi, b.hi)};
}
inline bool may_be_equal(const Interval& a, const Interval& b) {
  return a.lo <= b.hi && b.lo <= a.hi;
}

struct SineCosine {
  Interval sine;
  Interval cosine;
};
/// Encloses sine and cosine of every number in x.
SineCosine sine_cosine(const Interval& x);

/// sin(x) / x for x^2 = q >= 0, 1 at 0.
Interval sinc_of_square(const Interval& q);
double sinc_of_square(double q);

/// Encloses pi / 180 times x.
Interval radians(const Interval& x_deg);

/// Encloses exp(x). Precondition: 0 <= x.lo, x.hi <= 64.
Interval exponential(const Interval& x);

}  // namespace withy::recheck
