// SPDX-License-Identifier: GPL-3.0-or-later
// Source of the two builds of the loop in planner/motion/body_arcs.h; included by them and by nothing else.
#pragma once

#include "geometry/lanes.h"
#include "planner/motion/body_arcs.h"

namespace withy::WITHY_LANES_NAMESPACE {
namespace {

/// sum of c[k] x^k, k < count.
template <int kCount>
WITHY_LANES_INLINE Floats polynomial(const float (&c)[kCount], Floats x) {
  Floats sum = all(c[kCount - 1]);
  for (int k = kCount - 2; k >= 0; --k) sum = multiply_add(sum, x, all(c[k]));
  return sum;
}

// sin(x)/x and (1 - cos x)/x^2 in powers of x^2.
constexpr float kSine[] = {1.0F,
                           -1.0F / 6.0F,
                           1.0F / 120.0F,
                           -1.0F / 5040.0F,
                           1.0F / 362880.0F,
                           -1.0F / 39916800.0F,
                           1.0F / 6227020800.0F,
                           -1.0F / 1307674368000.0F,
                           1.0F / 355687428096000.0F};
constexpr float kVersine[] = {1.0F / 2.0F,
                              -1.0F / 24.0F,
                              1.0F / 720.0F,
                              -1.0F / 40320.0F,
                              1.0F / 3628800.0F,
                              -1.0F / 479001600.0F,
                              1.0F / 87178291200.0F,
                              -1.0F / 20922789888000.0F};

WITHY_LANES_INLINE void points(const BodyArc* arcs, std::int32_t count, const float* offset, float* x, float* y,
                               float* z) {
  float* to[3] = {x, y, z};
  for (std::int32_t a = 0; a < count; ++a) {
    const BodyArc& arc = arcs[a];
    const Floats kappa = all(arc.kappa);
    const Floats shift = all(arc.shift);
    for (std::int32_t j = arc.first; j < arc.last; j += kLanes) {
      const Floats q = load(offset + j) + shift;
      const Floats theta = q * kappa;
      const Floats theta2 = theta * theta;
      const Floats along = q * polynomial(kSine, theta2);
      const Floats across = q * theta * polynomial(kVersine, theta2);
      for (int k = 0; k < 3; ++k)
        store(to[k] + j, multiply_add(across, all(arc.e[k]), multiply_add(along, all(arc.t[k]), all(arc.p[k]))));
    }
  }
}

}  // namespace
}  // namespace withy::WITHY_LANES_NAMESPACE
