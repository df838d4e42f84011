// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/lattice.h"

#include <algorithm>
#include <cmath>

namespace withy::recheck {
namespace {

// A slide may be off its notch by this (mm) for the rounding of angles given in degrees: a whole multiple of
// the pitch otherwise. The window within which a bench may engage is none of a plan's.
constexpr double kSlideRounding_mm = 1e-8;
// Backbones whose directions differ by less (sine of the angle) lie in one plane: 180 degrees in radians is
// off by 1e-16.
constexpr double kSamePlane = 1e-9;

}  // namespace

Lattice::Lattice(const std::optional<LatchHardware>& latch) {
  if (!latch || latch->notch_pitch_mm <= 0.0 || latch->backbone_angle_rad.empty()) {
    axes_ = {{Interval(1.0), Interval(0.0)}, {Interval(0.0), Interval(1.0)}};
    return;
  }
  pitch_ = latch->notch_pitch_mm;
  radius_ = latch->backbone_radius_mm;
  for (const double angle : latch->backbone_angle_rad) {
    const SineCosine sc = sine_cosine(Interval(angle));
    direction_.push_back({sc.cosine, sc.sine});
  }
  double best = kSamePlane;
  for (std::size_t i = 0; i < direction_.size(); ++i)
    for (std::size_t j = i + 1; j < direction_.size(); ++j)
      if (const double sine = abs(cross(direction_[i], direction_[j])).lo; sine > best) {
        best = sine;
        first_ = i;
        second_ = j;
      }
  kind_ = first_ == second_ ? Kind::lines : Kind::points;
  if (kind_ == Kind::lines) {
    axes_ = {{-direction_[0][1], direction_[0][0]}};
    return;
  }
  Interval xx(0.0);
  Interval xy(0.0);
  Interval yy(0.0);
  for (const Interval2& e : direction_) {
    xx = xx + square(e[0]);
    xy = xy + e[0] * e[1];
    yy = yy + square(e[1]);
  }
  const Interval det = xx * yy - square(xy);
  inverse_ = {yy / det, -xy / det, -xy / det, xx / det};
}

Interval Lattice::slide(std::size_t k, const Interval2& bend) const {
  return Interval(radius_) * dot(direction_[k], bend);
}

std::optional<Interval2> Lattice::bend(const Notches& notches) const {
  if (kind_ == Kind::everything) return Interval2{};
  if (notches.size() != direction_.size()) return std::nullopt;
  const Interval unit = Interval(pitch_) / Interval(radius_);
  Interval2 sum{};
  for (std::size_t k = 0; k < notches.size(); ++k)
    for (std::size_t i = 0; i < 2; ++i)
      sum[i] = sum[i] + direction_[k][i] * Interval(static_cast<double>(notches[k]));
  Interval2 S;
  if (kind_ == Kind::lines) {
    const Interval n(static_cast<double>(notches[0]));
    S = {direction_[0][0] * n * unit, direction_[0][1] * n * unit};
  } else {
    S = {(inverse_[0] * sum[0] + inverse_[1] * sum[1]) * unit,
         (inverse_[2] * sum[0] + inverse_[3] * sum[1]) * unit};
  }
  for (std::size_t k = 0; k < notches.size(); ++k) {
    const Interval residual = slide(k, S) - Interval(pitch_) * Interval(static_cast<double>(notches[k]));
    if (abs(residual).lo > kSlideRounding_mm) return std::nullopt;
  }
  return S;
}

/// With the first pair's backbones within w = kSlideRounding_mm of their notches, so is S of `near`, the bend
/// that puts them exactly there, to within w (|a| + |b|) <= 2 w for the slide of any backbone e_k = a e_i + b
/// e_j, |a|, |b| <= 1.
void Lattice::each_choice(Notches& notches, std::size_t k, const Interval2& near, const Interval2& box,
                          const std::function<void(const Notches&, const Interval2&)>& take) const {
  if (k == direction_.size()) {
    const auto S = bend(notches);
    if (S && may_be_equal((*S)[0], box[0]) && may_be_equal((*S)[1], box[1])) take(notches, *S);
    return;
  }
  if (k == first_ || k == second_) {
    each_choice(notches, k + 1, near, box, take);
    return;
  }
  const Interval at = slide(k, near);
  constexpr double reach = 4.0 * kSlideRounding_mm;
  const double low = std::ceil((at.lo - reach) / pitch_ - 1e-9);
  const double high = std::floor((at.hi + reach) / pitch_ + 1e-9);
  for (double n = low; n <= high; n += 1.0) {
    notches[k] = static_cast<int>(n);
    each_choice(notches, k + 1, near, box, take);
  }
}

void Lattice::each_in(const Interval2& box,
                      const std::function<void(const Notches&, const Interval2&)>& take) const {
  if (kind_ == Kind::everything) {
    take({}, {});
    return;
  }
  const auto range = [&](std::size_t k) {
    const Interval at = slide(k, box);
    return std::pair(std::ceil((at.lo - kSlideRounding_mm) / pitch_ - 1e-9),
                     std::floor((at.hi + kSlideRounding_mm) / pitch_ + 1e-9));
  };
  Notches notches(direction_.size(), 0);
  if (kind_ == Kind::lines) {
    const auto [low, high] = range(0);
    for (double n = low; n <= high; n += 1.0) {
      for (std::size_t k = 0; k < direction_.size(); ++k)
        notches[k] = static_cast<int>(dot(direction_[0], direction_[k]).lo > 0.0 ? n : -n);
      if (const auto S = bend(notches)) take(notches, *S);
    }
    return;
  }
  const Interval unit = Interval(pitch_) / Interval(radius_);
  const Interval det = cross(direction_[first_], direction_[second_]);
  const auto [low_1, high_1] = range(first_);
  const auto [low_2, high_2] = range(second_);
  for (double n = low_1; n <= high_1; n += 1.0)
    for (double m = low_2; m <= high_2; m += 1.0) {
      notches[first_] = static_cast<int>(n);
      notches[second_] = static_cast<int>(m);
      const Interval a = Interval(n) * unit;
      const Interval b = Interval(m) * unit;
      const Interval2 near = {(a * direction_[second_][1] - b * direction_[first_][1]) / det,
                              (b * direction_[first_][0] - a * direction_[second_][0]) / det};
      each_choice(notches, 0, near, box, take);
    }
}

bool Lattice::may_hold(const Interval2& box) const {
  if (kind_ == Kind::everything) return true;
  bool found = false;
  each_in(box, [&](const Notches&, const Interval2&) { found = true; });
  return found;
}

}  // namespace withy::recheck
