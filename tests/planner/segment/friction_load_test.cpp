// SPDX-License-Identifier: GPL-3.0-or-later
// Lock loads at friction's worst against brute force over every choice of sliding directions, and the bound
// of their change against pairs of states.
#include "planner/segment/friction_load.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

namespace {

using namespace withy;

class RandomTendons {
 public:
  explicit RandomTendons(unsigned seed) : random_(seed) {}
  double between(double lo, double hi) { return std::uniform_real_distribution<double>(lo, hi)(random_); }
  Eigen::Vector2d vector(double size) { return {between(-size, size), between(-size, size)}; }

  /// Two to eight tendons, at random or at multiples of 30 degrees so that some lie along one line or
  /// together.
  TendonHardware tendons() {
    TendonHardware tendons;
    tendons.radius_mm = between(0.5, 2.0);
    tendons.tension_min_N = random_() % 5 == 0 ? 0.0 : between(0.1, 1.0);
    tendons.friction_coefficient = between(0.0, 0.3);
    const bool even = random_() % 2 == 0;
    for (int k = 2 + static_cast<int>(random_() % 7); k-- > 0;)
      tendons.angle_rad.push_back(even ? M_PI / 6 * static_cast<double>(random_() % 12)
                                       : between(0, 2 * M_PI));
    return tendons;
  }

 private:
  std::mt19937 random_;
};

/// Over all 2^n corners, tensions multiplied by exp(+x) or exp(-x).
double brute_force(const TendonHardware& tendons, const Eigen::VectorXd& T, double exponent,
                   const Eigen::Vector2d& rest) {
  double most = 0.0;
  for (unsigned corner = 0; corner < 1u << T.size(); ++corner) {
    Eigen::Vector2d sum = -rest;
    for (Eigen::Index k = 0; k < T.size(); ++k) {
      const double beta = tendons.angle_rad[static_cast<std::size_t>(k)];
      const double sign = (corner >> k & 1u) != 0 ? 1.0 : -1.0;
      sum += T(k) * std::exp(sign * exponent) * tendons.radius_mm *
             Eigen::Vector2d(std::cos(beta), std::sin(beta));
    }
    most = std::max(most, sum.norm());
  }
  return most;
}

}  // namespace

TEST_CASE("the worst lock load is that of the worst of all combinations of drawing and letting out") {
  RandomTendons random(81);
  INFO("seed 81");
  int compared = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    const TendonHardware tendons = random.tendons();
    const TendonStatics statics(tendons);
    const Eigen::Vector2d moment = random.vector(20.0);
    const auto T = statics.tensions(moment);
    if (!T) continue;
    const double exponent = trial % 20 == 0 ? 0.0 : random.between(0.0, 1.0);
    const FrictionMoments made(statics, moment, *statics.extra_tension(moment), exponent);
    const Eigen::Vector2d rest = random.vector(30.0);
    const double expected = brute_force(tendons, *T, exponent, rest);
    if (std::abs(made.farthest_from(rest) - expected) > 1e-9 * (1.0 + expected))
      FAIL_CHECK("trial " << trial);
    ++compared;
  }
  CHECK(compared > 4000);
}

TEST_CASE("the bound of a load's change holds for every state within the change") {
  RandomTendons random(82);
  INFO("seed 82");
  constexpr double kRigidity = 900.0;
  int compared = 0;
  double tightest = 0.0;
  for (int trial = 0; trial < 10000; ++trial) {
    const TendonHardware tendons = random.tendons();
    const TendonStatics statics(tendons);
    const double size = std::pow(10.0, random.between(-4, 0));
    const Eigen::Vector2d u = random.vector(0.02);
    const Eigen::Vector2d frozen = random.vector(0.02);
    const Eigen::Vector2d du = random.vector(0.01 * size);
    const Eigen::Vector2d dfrozen = random.vector(0.01 * size);
    const double lo = random.between(0.0, 0.5);
    const double hi = lo + random.between(0.0, 0.3 * size);
    const double here = random.between(lo, hi);
    const double there = trial % 3 == 0 ? hi : random.between(lo, hi);
    const auto a = statics.extra_tension(kRigidity * u);
    const auto b = statics.extra_tension(kRigidity * (u + du));
    if (!a || !b) continue;
    const double change =
        friction_load_change(statics, kRigidity, u, *a, here, {du.norm(), dfrozen.norm(), lo, hi});
    const double from = FrictionMoments(statics, kRigidity * u, *a, here).farthest_from(kRigidity * frozen);
    const double to = FrictionMoments(statics, kRigidity * (u + du), *b, there)
                          .farthest_from(kRigidity * (frozen + dfrozen));
    if (std::abs(to - from) > change * (1.0 + 1e-9) + 1e-9) FAIL_CHECK("trial " << trial);
    tightest = std::max(tightest, std::abs(to - from) / change);
    ++compared;
  }
  CHECK(compared > 4000);
  CHECK(tightest > 0.5);  // the bound is of use
}
