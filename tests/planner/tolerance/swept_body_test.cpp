// SPDX-License-Identifier: GPL-3.0-or-later
// Swept bodies on benches drawn at random: points by the shape of each state, densely over boxes of bends,
// are never outside what is said of the boxes.
#include "planner/tolerance/swept_body.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/segment/shape.h"
#include "tests/planner/tolerance/bent_design.h"

using namespace withy;
using namespace withy_test;

namespace {

constexpr double kRounding_mm = 1e-9;

/// A bench of this design whose free region bends about `reached`, upright or aslant, its tip beside the
/// entry plane.
struct SweptCase {
  SweptCase(CarriageKind kind, std::size_t engaged, std::mt19937_64& generator)
      : design(bent_design(kind, true)) {
    centre.insertion_mm = kind == CarriageKind::guide ? 70.0 : even(0.0, 8.0, generator);
    for (std::size_t i = 0; i < engaged; ++i) centre.engaged.set(i);
    centre.theta_frozen.assign(engaged, Eigen::Vector2d::Zero());
    const auto regions = regions_of(design, centre);
    for (std::size_t i = 0; i < engaged; ++i)
      centre.theta_frozen[i] =
          regions[i].flexible_mm * in_any_direction<Eigen::Vector2d>(even(0.0, 0.01, generator), generator);
    sweep.corners = {centre, centre};
    sweep.corners[1].u_free.x() += 0.002;
    errors = extreme_bends(design, 0.01, 0.02, 0.02, generator);
    errors.entry_position_mm = in_any_direction<Eigen::Vector3d>(0.5, generator);
    errors.entry_turn = in_any_direction<Eigen::Vector3d>(0.02, generator);
    errors.registration_position_mm = in_any_direction<Eigen::Vector3d>(0.5, generator);
    errors.registration_turn = in_any_direction<Eigen::Vector3d>(0.02, generator);
    errors.lumen_scale = even(-0.05, 0.05, generator);
  }

  /// By the bench's own body, as the channel sees it.
  Eigen::Vector3d point(const Bench& bench, const Eigen::Vector2d& u, double s) const {
    State state = bench.state(centre);
    state.u_free = u;
    return bench.placement_in_channel().X_EB *
           Eigen::Vector3d(Shape(design, state).point_E(s) / bench.scale());
  }

  Design design;
  State centre;
  HuntSweep sweep;
  ErrorDraw errors;
};

/// A rectangle of bends, often next to none across. Every third is large and about the straight body, which
/// the tip is past the entry plane with, if ever.
BendBox some_box(std::mt19937_64& generator) {
  const bool about_straight = even(0.0, 1.0, generator) < 1.0 / 3.0;
  const auto half = [&] { return std::pow(10.0, even(about_straight ? -2.8 : -4.5, -2.0, generator)); };
  BendBox box;
  box.middle =
      in_any_direction<Eigen::Vector2d>(even(0.0, about_straight ? 0.002 : 0.03, generator), generator);
  const Eigen::Vector2d way = in_any_direction<Eigen::Vector2d>(1.0, generator);
  box.half[0] = half() * way;
  if (even(0.0, 1.0, generator) < 0.7) box.half[1] = half() * Eigen::Vector2d(-way.y(), way.x());
  return box;
}

bool holds(const BendBox& box, const Eigen::Vector2d& u) {
  for (const Eigen::Vector2d& half : box.half) {
    const double along = (u - box.middle).dot(half.normalized());
    if (half.norm() > 0.0 && std::abs(along) > half.norm() + 1e-12) return false;
  }
  return true;
}

/// Where trilinear interpolation of the corners has it.
Eigen::Vector3d interpolated(const SweptCell& cell, double a, double b, double c) {
  Eigen::Vector3d out = Eigen::Vector3d::Zero();
  for (std::size_t k = 0; k < cell.corners(); ++k) {
    const std::size_t at = k % cell.per_end;
    double weight = k < cell.per_end ? 1.0 - c : c;
    weight *= at % 2 == 0 ? 1.0 - a : a;
    if (cell.per_end == 4) weight *= at < 2 ? 1.0 - b : b;
    out += weight * cell.corner[k];
  }
  return out;
}

}  // namespace

TEST_CASE("the bends that a bench sweeps are those of its own states", "[tolerance]") {
  std::mt19937_64 generator(22);
  for (int i = 0; i < 200; ++i) {
    const auto kind = i % 2 == 0 ? CarriageKind::free : CarriageKind::guide;
    SweptCase of(kind, static_cast<std::size_t>(i) % 3, generator);
    for (int k = 0; k < 8; ++k) {
      of.sweep.corners.push_back(of.centre);
      of.sweep.corners.back().u_free =
          in_any_direction<Eigen::Vector2d>(even(0.0, 0.03, generator), generator);
    }
    const Bench bench(of.design, of.errors, Eigen::Vector3d(5.0, -3.0, 40.0));
    const std::vector<Eigen::Vector2d> bends = bench.swept_bends(of.sweep);
    REQUIRE(bends.size() == of.sweep.corners.size());
    for (std::size_t k = 0; k < bends.size(); ++k)
      REQUIRE((bends[k] - bench.state(of.sweep.corners[k]).u_free).norm() < 1e-13);
  }
}

TEST_CASE("no point of a swept body is outside what is said of its box", "[tolerance]") {
  std::mt19937_64 generator(20);
  int behind = 0;
  int cut = 0;
  for (int i = 0; i < 600; ++i) {
    const auto kind = i % 3 == 0 ? CarriageKind::guide : CarriageKind::free;
    const SweptCase of(kind, static_cast<std::size_t>(i) % 3, generator);
    const Bench bench(of.design, of.errors, Eigen::Vector3d(5.0, -3.0, 40.0));
    const SweptBody body(bench, of.sweep);
    const BendBox box = some_box(generator);
    // No region's or rigid span's end is within any of these: 100 mm, locks of 4 mm at 33 and 67, a tip of 3.
    const double s0 = i % 2 == 0 ? 95.9 : even(71.0, 95.0, generator);
    const double s1 = s0 + (i % 2 == 0 ? 1.0 : even(0.1, 1.0, generator));
    std::array<BentBody, 4> bodies;
    for (std::size_t k = 0; k < box.corners(); ++k) bodies[k] = body.bent(box.corner(k));
    const SweptCell cell = body.cell(box, bodies, s0, s1);
    const auto rise = body.rise(box);
    const auto past = body.past_entry(rise, s0, body.height(rise, s0), s1, body.height(rise, s1));
    behind += past ? 0 : 1;
    cut += past && past->half != box.half ? 1 : 0;
    const int steps = 10;
    for (int j = 0; j <= steps; ++j)
      for (int l = 0; l <= (box.corners() == 4 ? steps : 0); ++l)
        for (int m = 0; m <= steps; ++m) {
          const double a = static_cast<double>(j) / steps;
          const double b = static_cast<double>(l) / steps;
          const double c = static_cast<double>(m) / steps;
          const Eigen::Vector2d u =
              box.middle + (2.0 * a - 1.0) * box.half[0] + (2.0 * b - 1.0) * box.half[1];
          const Eigen::Vector3d p = of.point(bench, u, s0 + c * (s1 - s0));
          REQUIRE(p.z() <= cell.top_mm() + kRounding_mm);
          REQUIRE((p - interpolated(cell, a, b, c)).norm() <= cell.bulge_mm + kRounding_mm);
          if (p.z() > kRounding_mm) REQUIRE((past && holds(*past, u)));
        }
  }
  // Both are put to the test.
  CHECK(behind > 30);
  CHECK(cut > 10);
}

TEST_CASE("the distance that a swept cell keeps from a set is never more than it is", "[tolerance]") {
  std::mt19937_64 generator(21);
  int told = 0;
  for (int i = 0; i < 300; ++i) {
    const SweptCase of(CarriageKind::free, static_cast<std::size_t>(i) % 3, generator);
    const Bench bench(of.design, of.errors, Eigen::Vector3d(5.0, -3.0, 40.0));
    const SweptBody body(bench, of.sweep);
    const BendBox box = some_box(generator);
    const double s0 = even(72.0, 94.0, generator);
    std::array<BentBody, 4> bodies;
    for (std::size_t k = 0; k < box.corners(); ++k) bodies[k] = body.bent(box.corner(k));
    const SweptCell cell = body.cell(box, bodies, s0, s0 + 1.0);
    // A set of three points about the cell.
    std::array<Eigen::Vector3d, 3> set;
    for (Eigen::Vector3d& w : set)
      w = cell.corner[0] + in_any_direction<Eigen::Vector3d>(even(1.0, 6.0, generator), generator);
    const auto distance = [&](const Eigen::Vector3d& p) {
      double least = kInfinity;
      for (const Eigen::Vector3d& w : set) least = std::min(least, (p - w).norm());
      return least;
    };
    double least = kInfinity;
    for (std::size_t k = 0; k < cell.corners(); ++k) least = std::min(least, distance(cell.corner[k]));
    const double kept = cell.from_set(least);
    told += kept > 0.0 ? 1 : 0;
    for (int n = 0; n < 300; ++n) {
      const Eigen::Vector2d u =
          box.middle + even(-1.0, 1.0, generator) * box.half[0] + even(-1.0, 1.0, generator) * box.half[1];
      const Eigen::Vector3d p = of.point(bench, u, s0 + even(0.0, 1.0, generator));
      REQUIRE(distance(p) >= kept - kRounding_mm);
    }
  }
  CHECK(told > 30);
}
