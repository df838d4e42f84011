// SPDX-License-Identifier: GPL-3.0-or-later
// Source of the two builds of the loop in planner/motion/body_arcs.h; included by them and by nothing else.
#pragma once

#include "geometry/distance/lanes.h"
#include "planner/motion/body_arcs.h"

namespace withy::WITHY_LANES_NAMESPACE {
namespace {

/// The first coefficients, (-1)^k / (2k + odd)!, of sin(x)/x (odd = 1) and (1 - cos x)/x^2 (odd = 2) in
/// powers of x^2.
template <class Number, int kTerms>
struct Series {
  Number c[kTerms];

  explicit constexpr Series(int odd) : c() {
    double factor = odd == 1 ? 1.0 : 0.5;
    for (int k = 0; k < kTerms; ++k) {
      c[k] = static_cast<Number>(factor);
      factor /= -(2.0 * k + odd + 1.0) * (2.0 * k + odd + 2.0);
    }
  }
};

/// The series' sum at x^2.
template <int kTerms, int kOdd, class Number, class Lanes>
WITHY_LANES_INLINE Lanes series(Lanes x2) {
  constexpr Series<Number, kTerms> kSeries(kOdd);
  Lanes sum = all(kSeries.c[kTerms - 1]);
#pragma GCC unroll 16
  for (int k = kTerms - 2; k >= 0; --k) sum = multiply_add(sum, x2, all(kSeries.c[k]));
  return sum;
}

/// At x = 3.2 the next terms of both series are below 1e-12.
constexpr int kFrameTerms = 13;
/// At x = 3.2 the next terms are below 2^-24.
constexpr int kPointTerms = 9;
/// Up to this angle five terms are as good.
constexpr double kSmallAngle = 1.0;
constexpr int kSmallAngleTerms = 5;

/// What carries a frame over half an arc.
struct Halves {
  alignas(32) double along[kMaxStretches];
  alignas(32) double across[kMaxStretches];
  alignas(32) double sine[kMaxStretches];
  alignas(32) double cosine[kMaxStretches];
};

WITHY_LANES_INLINE void halve(const BodyArc* arcs, std::int32_t count, Halves& halves) {
  for (std::int32_t i = 0; i < count; i += 4) {
    alignas(32) double kappa[4] = {};
    alignas(32) double half[4] = {};
    for (std::int32_t k = 0; k < 4 && i + k < count; ++k) {
      kappa[k] = arcs[i + k].kappa;
      half[k] = arcs[i + k].half;
    }
    const Doubles length = load(half);
    const Doubles theta = load(kappa) * length;
    const Doubles theta2 = theta * theta;
    const Doubles sine_ratio = series<kFrameTerms, 1, double>(theta2);
    const Doubles versine_ratio = series<kFrameTerms, 2, double>(theta2);
    store(halves.along + i, length * sine_ratio);
    store(halves.across + i, length * theta * versine_ratio);
    store(halves.sine + i, theta * sine_ratio);
    store(halves.cosine + i, all(1.0) - theta2 * versine_ratio);
  }
}

/// An arc's middle, single precision, x y z and room for a fourth.
struct Middle {
  float p[4], e[4], t[4];
};

/// Carries the frame along the body, noting it in the middle of each arc.
WITHY_LANES_INLINE void carry(const BodyArc* arcs, std::int32_t count, double start_z, const Halves& halves,
                              Middle* middles) {
  constexpr double x_axis[4] = {1.0, 0.0, 0.0, 0.0};
  constexpr double y_axis[4] = {0.0, 1.0, 0.0, 0.0};
  constexpr double z_axis[4] = {0.0, 0.0, 1.0, 0.0};
  Doubles e = load(x_axis);
  Doubles n = load(y_axis);
  Doubles t = load(z_axis);
  Doubles p = all(start_z) * t;
  for (std::int32_t i = 0; i < count; ++i) {
    const Doubles turn_cos = all(arcs[i].turn_cos);
    const Doubles turn_sin = all(arcs[i].turn_sin);
    const Doubles turned = multiply_add(turn_sin, n, turn_cos * e);
    n = turn_cos * n - turn_sin * e;
    e = turned;
    const Doubles along = all(halves.along[i]);
    const Doubles across = all(halves.across[i]);
    const Doubles sine = all(halves.sine[i]);
    const Doubles cosine = all(halves.cosine[i]);
    for (int side = 0; side < 2; ++side) {
      p = multiply_add(across, e, multiply_add(along, t, p));
      const Doubles bent = cosine * e - sine * t;
      t = multiply_add(sine, e, cosine * t);
      e = bent;
      if (side == 1) break;
      store(middles[i].p, p);
      store(middles[i].e, e);
      store(middles[i].t, t);
    }
  }
}

/// Points of the stations of one arc.
template <int kTerms>
WITHY_LANES_INLINE void spread(const BodyArc& arc, const Middle& middle, const float* offset,
                               float* const (&to)[3]) {
  const Floats kappa = all(static_cast<float>(arc.kappa));
  const Floats shift = all(arc.shift);
  for (std::int32_t j = arc.first; j < arc.last; j += kLanes) {
    Floats along = load(offset + j) + shift;
    Floats across = all(0.0F);
    if constexpr (kTerms > 0) {
      const Floats theta = along * kappa;
      const Floats theta2 = theta * theta;
      across = along * theta * series<kTerms, 2, float>(theta2);
      along = along * series<kTerms, 1, float>(theta2);
    }
    for (int k = 0; k < 3; ++k) {
      const Floats point = multiply_add(along, all(middle.t[k]), all(middle.p[k]));
      store(to[k] + j, kTerms > 0 ? multiply_add(across, all(middle.e[k]), point) : point);
    }
  }
}

void points(const BodyArc* arcs, std::int32_t count, double start_z, const float* offset, float* x, float* y,
            float* z) {
  Halves halves;
  Middle middles[kMaxStretches];
  halve(arcs, count, halves);
  carry(arcs, count, start_z, halves, middles);
  float* const to[3] = {x, y, z};
  for (std::int32_t i = 0; i < count; ++i) {
    const double angle = arcs[i].kappa * arcs[i].half;
    if (angle == 0.0) {
      spread<0>(arcs[i], middles[i], offset, to);
    } else if (angle <= kSmallAngle) {
      spread<kSmallAngleTerms>(arcs[i], middles[i], offset, to);
    } else {
      spread<kPointTerms>(arcs[i], middles[i], offset, to);
    }
  }
}

void allowances(const BodyAllowance& allowance, const float* station, std::int32_t count, float* slack) {
  const Floats zero = all(0.0F);
  for (std::int32_t j = 0; j < count; j += kLanes) {
    const Floats s = load(station + j);
    const Floats turning = min(max(s - all(allowance.exposed_from), zero), all(allowance.turning_reach));
    const Floats bending = max(s - all(allowance.bending_from), zero);
    const Floats first = multiply_add(turning, all(allowance.turning), all(allowance.least));
    store(slack + j, multiply_add(bending * bending, all(allowance.bending), first));
  }
}

}  // namespace
}  // namespace withy::WITHY_LANES_NAMESPACE
