// SPDX-License-Identifier: GPL-3.0-or-later
// Seeded draws and random bodies in tubes for property tests, awkward ones among them.
#pragma once

#include <cmath>
#include <cstdint>
#include <memory>
#include <random>

#include "geometry/distance/distance_field.h"
#include "planner/segment/state.h"
#include "tests/support/tube.h"

namespace withy::testing {

class Random {
 public:
  explicit Random(std::uint32_t seed) : engine_(seed) {}
  double between(double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(engine_);
  }
  /// 0 .. n - 1.
  int below(int n) { return std::uniform_int_distribution<int>(0, n - 1)(engine_); }
  Eigen::Vector3d direction() {
    std::normal_distribution<double> normal;
    return Eigen::Vector3d(normal(engine_), normal(engine_), normal(engine_)).normalized();
  }
  Eigen::Vector2d in_disk(double radius) {
    const double angle = between(0.0, 2.0 * EIGEN_PI);
    return radius * std::sqrt(between(0.0, 1.0)) * Eigen::Vector2d(std::cos(angle), std::sin(angle));
  }

 private:
  std::mt19937 engine_;
};

inline constexpr double kCurvatureMax_per_mm = 0.05;

/// A segment of 60 mm and 1.2 mm radius with its locks where withy would put them.
Design make_design(int locks, CarriageKind kind, double lock_radius_mm);

/// A state within the limits, small and vanishing curvatures among them.
State random_state(const Design& design, Random& random);

/// A state that follows the tube, more or less, so that margins are neither hopeless nor large.
State following_state(const Design& design, const TubeShape& shape, Random& random);

struct Bench {
  TubeShape shape;
  std::shared_ptr<const DistanceField> field;
};

/// A tube with its field of 0.25 mm.
Bench make_bench(const TubeShape& shape, int triangles);

/// D, the sign on the entry plane being that just past it.
double exact_distance(const WallDistance& wall, const Eigen::Vector3d& p_E);

}  // namespace withy::testing
