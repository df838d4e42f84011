// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/interval/interval.h"

#include <array>
#include <cstddef>

namespace withy::recheck {
namespace {

// pi/2 = kFirst + kRest: kFirst has 33 significant bits; the double nearest to the rest is off by less than
// its own last place (checked against MPFI in the tests).
constexpr double kHalfPiFirst = 1.57079632673412561417e+00;
constexpr double kHalfPiRest = 6.07710050650619224932e-11;
// Multiples of pi/2 up to this times kHalfPiFirst are exact: 33 + 19 bits.
constexpr double kMostQuarters = 524288.0;

// Terms of the Taylor polynomials: the last has degree 2 kTerms - 1 (sine), 2 kTerms (cosine).
constexpr int kTerms = 10;

/// 1 / n! for n up to 2 kTerms + 1. n! is exact in a double up to 22!.
const std::array<Interval, 2 * kTerms + 2>& inverse_factorials() {
  static const auto table = [] {
    std::array<Interval, 2 * kTerms + 2> t;
    double factorial = 1.0;
    t[0] = Interval(1.0);
    for (std::size_t n = 1; n < t.size(); ++n) {
      factorial *= static_cast<double>(n);
      t[n] = Interval(1.0) / Interval(factorial);
    }
    return t;
  }();
  return table;
}

/// Sum over k < kTerms of (-q)^k / (2k + first)!, and the remainder: alternating, terms falling (q < 2), so
/// it is smaller than the first term left out.
Interval alternating(const Interval& q, std::size_t first) {
  const auto& inverse = inverse_factorials();
  const double reach = q.hi;
  double left_out = inverse[2 * kTerms + first].hi;
  for (int k = 0; k < kTerms; ++k) left_out = next_up(left_out * reach);
  Interval sum(0.0);
  for (int k = kTerms - 1; k >= 0; --k) {
    const Interval& c = inverse[2 * static_cast<std::size_t>(k) + first];
    sum = (k % 2 == 0 ? c : -c) + sum * q;
    // The signs stand in the coefficients, so powers of q are taken as they are.
  }
  return sum + Interval(-left_out, left_out);
}

Interval clipped(const Interval& x) {
  return {std::max(-1.0, x.lo), std::min(1.0, x.hi)};
}

SineCosine sine_cosine_at(double x) {
  const double n = std::nearbyint(x / (kHalfPiFirst + kHalfPiRest));
  if (!(std::abs(n) < kMostQuarters)) return {{-1.0, 1.0}, {-1.0, 1.0}};
  const Interval rest(next_down(kHalfPiRest), next_up(kHalfPiRest));
  const Interval y = (Interval(x) - Interval(n * kHalfPiFirst)) - Interval(n) * rest;
  const Interval q = square(y);
  const Interval s = y * alternating(q, 1);
  const Interval c = alternating(q, 0);
  switch (static_cast<long>(n) & 3L) {
    case 0:
      return {clipped(s), clipped(c)};
    case 1:
      return {clipped(c), clipped(-s)};
    case 2:
      return {clipped(-s), clipped(-c)};
    default:
      return {clipped(-c), clipped(s)};
  }
}

}  // namespace

SineCosine sine_cosine(const Interval& x) {
  if (!std::isfinite(x.lo) || !std::isfinite(x.hi)) return {{-1.0, 1.0}, {-1.0, 1.0}};
  const double middle = x.middle();
  const SineCosine at = sine_cosine_at(middle);
  if (x.lo == x.hi) return at;
  const Interval reach(-x.radius(), x.radius());
  return {clipped(at.sine + reach), clipped(at.cosine + reach)};
}

Interval sinc_of_square(const Interval& q) {
  if (q.hi <= 1.0) return alternating({std::max(0.0, q.lo), std::max(0.0, q.hi)}, 1);
  if (q.lo <= 0.25) return {-1.0, 1.0};  // far too wide to be asked
  const Interval x = sqrt(q);
  return sine_cosine(x).sine / x;
}

double sinc_of_square(double q) {
  if (q < 1e-8) return 1.0 - q / 6.0;
  const double x = std::sqrt(q);
  return std::sin(x) / x;
}

Interval radians(const Interval& x_deg) {
  const Interval half_pi = Interval(kHalfPiFirst) + outward(kHalfPiRest, kHalfPiRest);
  return x_deg * half_pi / Interval(90.0);
}

Interval exponential(const Interval& x) {
  // exp(x) = exp(x / 64)^64; x / 64 <= 1 exactly, Taylor to degree 19 with remainder 3 x^20 / 20!.
  const auto& inverse = inverse_factorials();
  const auto at = [&](double point) {
    const Interval y(point / 64.0);
    Interval sum(0.0);
    for (std::size_t k = 20; k-- > 0;) sum = inverse[k] + sum * y;
    sum = sum + Interval(0.0, next_up(3.0 * inverse[20].hi));
    for (int i = 0; i < 6; ++i) sum = square(sum);
    return sum;
  };
  return {at(x.lo).lo, at(x.hi).hi};
}

}  // namespace withy::recheck
