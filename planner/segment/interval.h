// SPDX-License-Identifier: GPL-3.0-or-later
// Closed intervals of real numbers, for bounds over boxes of states. Rounding outwards is left to the
// comparison with a limit, which allows for it once: a handful of operations round by some 1e-15 of the
// value.
#pragma once

#include <algorithm>

#include "geometry/numbers/numbers.h"

namespace withy {

struct Interval {
  double lo = 0.0;
  double hi = 0.0;

  static Interval point(double x) { return {x, x}; }
  static Interval everything() { return {-kInfinity, kInfinity}; }
  double largest_size() const { return std::max(-lo, hi); }
  double smallest_size() const { return std::max({0.0, lo, -hi}); }
};

inline Interval operator+(Interval a, Interval b) {
  return {a.lo + b.lo, a.hi + b.hi};
}
inline Interval operator-(Interval a, Interval b) {
  return {a.lo - b.hi, a.hi - b.lo};
}
inline Interval operator*(double s, Interval a) {
  return s >= 0.0 ? Interval{s * a.lo, s * a.hi} : Interval{s * a.hi, s * a.lo};
}
inline Interval operator*(Interval a, Interval b) {
  const double p = a.lo * b.lo;
  const double q = a.lo * b.hi;
  const double r = a.hi * b.lo;
  const double s = a.hi * b.hi;
  return {std::min({p, q, r, s}), std::max({p, q, r, s})};
}

}  // namespace withy
