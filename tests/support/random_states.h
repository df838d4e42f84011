// SPDX-License-Identifier: GPL-3.0-or-later
// States and boxes of states at random, for tests that hold bounds against what the boxes hold.
#pragma once

#include <cmath>
#include <random>

#include "planner/segment/hardware.h"

namespace withy_test {

/// Numbers and vectors; the same seed gives the same.
class RandomNumbers {
 public:
  explicit RandomNumbers(unsigned seed) : random_(seed) {}

  double between(double lo, double hi) { return std::uniform_real_distribution<double>(lo, hi)(random_); }
  /// True once in so many times.
  bool one_in(unsigned times) { return random_() % times == 0; }
  /// From 0 on, below `count`.
  int index(unsigned count) { return static_cast<int>(random_() % count); }

  /// In a square about the origin.
  Eigen::Vector2d vector(double size) { return {between(-size, size), between(-size, size)}; }
  /// On a circle about the origin.
  Eigen::Vector2d on_circle(double radius) {
    const double angle = between(0, 2 * M_PI);
    return radius * Eigen::Vector2d(std::cos(angle), std::sin(angle));
  }

 private:
  std::mt19937 random_;
};

/// States of a segment of 100 mm, insertions up to 160 mm; many break some limit.
class RandomStates : public RandomNumbers {
 public:
  using RandomNumbers::RandomNumbers;

  /// Each lock engaged or not.
  withy::State state(const withy::Design& design) { return state(index(1U << design.lock_count())); }

  /// The locks engaged that `which` has a bit for.
  withy::State state(int which) {
    withy::State q;
    q.insertion_mm = between(0, 160);
    for (int lock = 0; which >> lock != 0; ++lock)
      if ((which >> lock & 1) != 0) {
        q.engaged.set(static_cast<std::size_t>(lock));
        q.theta_frozen.push_back(vector(0.3));
      }
    q.u_free = vector(0.02);
    return q;
  }

  /// A box with `about` in it.
  withy::StateBox box(const withy::State& about, double size) {
    withy::StateBox box = withy::StateBox::around(about);
    box.insertion_hi_mm += between(0, 20 * size);
    box.u_lo -= Eigen::Vector2d::Constant(between(0, 0.005 * size));
    box.u_hi += Eigen::Vector2d(between(0, 0.01 * size), between(0, 0.01 * size));
    for (std::size_t i = 0; i < about.theta_frozen.size(); ++i)
      box.theta_hi[i] += Eigen::Vector2d(between(0, 0.05 * size), between(0, 0.05 * size));
    return box;
  }

  /// A state of the box about `about`: a corner as often as one inside.
  withy::State in(const withy::StateBox& box, const withy::State& about) {
    const auto part = [&] { return one_in(3) ? between(0, 1) : static_cast<double>(index(2)); };
    withy::State q = about;
    q.insertion_mm = box.insertion_lo_mm + part() * (box.insertion_hi_mm - box.insertion_lo_mm);
    for (std::size_t i = 0; i < about.theta_frozen.size(); ++i)
      for (int axis = 0; axis < 2; ++axis)
        q.theta_frozen[i](axis) =
            box.theta_lo[i](axis) + part() * (box.theta_hi[i](axis) - box.theta_lo[i](axis));
    for (int axis = 0; axis < 2; ++axis)
      q.u_free(axis) = box.u_lo(axis) + part() * (box.u_hi(axis) - box.u_lo(axis));
    return q;
  }
};

/// Does the state keep the curvature limit? What a box's verdict on a switch is about.
inline bool keeps_curvature(const withy::Design& design, const withy::State& state) {
  for (const withy::Region& region : withy::regions_of(design, state))
    if (!(region.u.norm() <= design.segment().curvature_max_per_mm)) return false;
  return true;
}

}  // namespace withy_test
