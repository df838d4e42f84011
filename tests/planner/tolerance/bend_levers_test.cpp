// SPDX-License-Identifier: GPL-3.0-or-later
// How far errors of the bends move a body: against the body itself, bent by the errors.
#include "planner/tolerance/bend_levers.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/segment/shape.h"
#include "planner/tolerance/bench.h"
#include "tests/planner/tolerance/bent_design.h"

using namespace withy;
using namespace withy_test;

namespace {

/// Where station s is with the bends of `draw`.
Eigen::Vector3d point_with(const Design& design, const State& planned, const ErrorDraw& draw, double s) {
  const Eigen::Vector3d anywhere = Eigen::Vector3d::Zero();
  return Shape(design, Bench(design, draw, anywhere).state(planned)).point_E(s);
}

constexpr double kStep = 1e-6;

Eigen::Vector3d slope(const Design& design, const State& planned, const ErrorDraw& forth,
                      const ErrorDraw& back, double s) {
  return (point_with(design, planned, forth, s) - point_with(design, planned, back, s)) / (2.0 * kStep);
}

/// The derivatives by the errors at the locks are what small ones do at station s, over their size.
void check_at_locks(const Design& design, const State& planned, const BendDirections& at, double s) {
  REQUIRE(at.at_lock.size() == 2);
  for (int axis = 0; axis < 2; ++axis)
    for (std::size_t lock = 0; lock < 2; ++lock) {
      ErrorDraw forth = ErrorDraw::none(design);
      ErrorDraw back = forth;
      forth.bend_at_lock[lock][axis] = kStep;
      back.bend_at_lock[lock][axis] = -kStep;
      CHECK((slope(design, planned, forth, back, s) - at.at_lock[lock].col(axis)).norm() < 1e-6);
    }
}

}  // namespace

TEST_CASE("derivatives of the body by its bends are what small errors do, over their size") {
  const Design design = bent_design(CarriageKind::free, true);
  const std::uint32_t seed = 3;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  for (int trial = 0; trial < 20; ++trial) {
    const State state = bent_state(design, 80.0, generator);
    for (const double s : {10.0, 33.0, 60.0, 80.0, 100.0}) {
      const BendDirections at = bend_directions(design, state, s);
      CHECK((at.point_E - Shape(design, state).point_E(s)).norm() < 1e-12);
      check_at_locks(design, state, at, s);
      ErrorDraw forth = ErrorDraw::none(design);
      ErrorDraw back = forth;
      forth.pull_gain = kStep;
      back.pull_gain = -kStep;
      CHECK((slope(design, state, forth, back, s) - at.gain).norm() < 1e-6);
      // Pulling tendon 0 alone by o bends by o / (2 r) along x (tolerance_test.cpp).
      forth.pull_gain = back.pull_gain = 0.0;
      forth.pull_offset_mm[0] = 2.0 * kBentTendonRadius * kStep;
      back.pull_offset_mm[0] = -2.0 * kBentTendonRadius * kStep;
      CHECK((slope(design, state, forth, back, s) - at.free.col(0)).norm() < 1e-6);
    }
  }
}

TEST_CASE("tendons in one plane take back only what lies in it of the locks' errors") {
  DesignParts parts = bent_parts(CarriageKind::free, true);
  const double angle = 0.4;
  parts.tendons->angle_rad = {angle, angle + M_PI};
  const Design design = *Design::make(parts);
  const Eigen::Vector2d along(std::cos(angle), std::sin(angle));
  const Eigen::Vector2d across(-along.y(), along.x());
  const std::uint32_t seed = 11;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  for (int trial = 0; trial < 20; ++trial) {
    State planned = bent_state(design, 80.0, generator);
    planned.u_free = planned.u_free.dot(along) * along;
    const ErrorDraw errors = extreme_bends(design, 0.02, 0.02, 0.03, generator);
    const Eigen::Vector3d anywhere = Eigen::Vector3d::Zero();
    const State bench = Bench(design, errors, anywhere).state(planned);
    // No tendon bends the free region out of their plane; the frozen ones keep their whole error.
    CHECK(std::abs(bench.u_free.dot(across)) < 1e-12);
    Eigen::Vector2d frozen = Eigen::Vector2d::Zero();
    for (std::size_t i = 0; i < 2; ++i) frozen += bench.theta_frozen[i] - planned.theta_frozen[i];
    CHECK((frozen - errors.bend_at_lock[1]).norm() < 1e-12);
    // And the levers are the derivatives of that.
    for (const double s : {33.0, 80.0, 100.0})
      check_at_locks(design, planned, bend_directions(design, planned, s), s);
  }
}

TEST_CASE("no errors move a body further than its levers say, and some nearly as far") {
  const std::uint32_t seed = 7;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide})
    for (const bool tendons : {true, false}) {
      const Design design = bent_design(kind, tendons);
      const double e = 0.02;
      const double gain = 0.02;
      const double offset = 0.03;
      double closest = 0.0;
      for (int trial = 0; trial < 40; ++trial) {
        const State state = bent_state(design, 95.0, generator);
        const auto stations = body_stations(design, state, 0.0);
        const auto levers = bend_levers(design, state, stations);
        for (int draw = 0; draw < 50; ++draw) {
          const ErrorDraw errors = extreme_bends(design, e, gain, offset, generator);
          for (std::size_t k = 0; k < stations.size(); k += 7) {
            const double moved =
                (point_with(design, state, errors, stations[k]) - Shape(design, state).point_E(stations[k]))
                    .norm();
            const double most = levers[k].displacement(e, gain, offset * bend_per_offset(design));
            CHECK(moved <= most + 1e-9);
            if (most > 0.5) closest = std::max(closest, moved / most);
          }
        }
      }
      CHECK(closest > (kind == CarriageKind::free ? 0.8 : 0.4));
    }
}

namespace {

/// Tendons that do not balance, with motors that stand still: a pull of all of them bends the segment.
Design unbalanced_design(CarriageKind kind) {
  DesignParts parts = bent_parts(kind, true);
  parts.tendons->angle_rad = {0.0, M_PI / 2, 200.0 * M_PI / 180.0};
  parts.tendons->motors = Motors::stand;
  return *Design::make(std::move(parts));
}

/// Theta with least sum over the tendons of (r e . Theta - pull)^2, by Cramer's rule.
Eigen::Vector2d bend_of_pulling_all(double pull_mm) {
  double xx = 0, xy = 0, yy = 0, x = 0, y = 0;
  for (const double angle : {0.0, M_PI / 2, 200.0 * M_PI / 180.0}) {
    const double c = kBentTendonRadius * std::cos(angle);
    const double s = kBentTendonRadius * std::sin(angle);
    xx += c * c, xy += c * s, yy += s * s, x += c * pull_mm, y += s * pull_mm;
  }
  return Eigen::Vector2d(yy * x - xy * y, xx * y - xy * x) / (xx * yy - xy * xy);
}

}  // namespace

TEST_CASE("pulls too long by a share are so in what motors that stand take up for the insertion") {
  const std::uint32_t seed = 13;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  const Eigen::Vector3d anywhere = Eigen::Vector3d::Zero();
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = unbalanced_design(kind);
    for (int trial = 0; trial < 20; ++trial) {
      const State planned = bent_state(design, 95.0, generator);
      ErrorDraw errors = ErrorDraw::none(design);
      errors.pull_gain = 1e-4;
      Eigen::Vector2d total = Eigen::Vector2d::Zero();
      for (const Region& region : regions_of(design, planned)) total += region.theta;
      const double f = regions_of(design, planned).back().flexible_mm;
      const Eigen::Vector2d more =
          f * (Bench(design, errors, anywhere).state(planned).u_free - planned.u_free);
      CHECK((more - 1e-4 * (total + bend_of_pulling_all(-95.0))).norm() < 1e-12);
      // And no bench leaves the bounds, with motions in between.
      State to = planned;
      if (kind == CarriageKind::free) to.insertion_mm -= 4.0;
      if (kind == CarriageKind::free) to.u_free += Eigen::Vector2d(0.004, -0.003);
      const auto stations = body_stations(design, planned, 0.0);
      const auto first = bend_levers(design, planned, stations);
      const auto last = bend_levers(design, to, stations);
      for (int draw = 0; draw < 10; ++draw) {
        const ErrorDraw extreme = extreme_bends(design, 0.002, 0.01, 0.003, generator);
        for (std::size_t k = 4; k < stations.size(); k += 7) {
          BendLevers cell = first[k];
          cell.cover(last[k]).add(between_corners(design, planned, to, 0.0));
          const State state = interpolate(planned, to, 0.5);
          const double moved =
              (point_with(design, state, extreme, stations[k]) - Shape(design, state).point_E(stations[k]))
                  .norm();
          CHECK(moved <= cell.displacement(0.002, 0.01, 0.003 * bend_per_offset(design)) + 1e-9);
        }
      }
      if (kind == CarriageKind::guide) continue;
      const BendDirections at = bend_directions(design, planned, 100.0);
      ErrorDraw forth = ErrorDraw::none(design);
      ErrorDraw back = forth;
      forth.pull_gain = kStep;
      back.pull_gain = -kStep;
      CHECK((slope(design, planned, forth, back, 100.0) - at.gain).norm() < 1e-5);
    }
  }
}

TEST_CASE("levers at the corners of a part of a motion hold between them") {
  const Design design = bent_design(CarriageKind::free, true);
  const std::uint32_t seed = 9;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  for (int trial = 0; trial < 30; ++trial) {
    const State from = bent_state(design, 60.0, generator);
    State to = from;
    to.insertion_mm += 5.0;
    to.u_free += Eigen::Vector2d(0.004, -0.003);
    for (const double s : {20.0, 45.0, 70.0, 98.0}) {
      const double s1 = s + 1.0;
      BendLevers cell;
      for (const State* state : std::array<const State*, 2>{&from, &to})
        for (const double end : {s, s1}) {
          auto stations = body_stations(design, *state, 0.0);
          stations.push_back(end);
          std::sort(stations.begin(), stations.end());
          const auto at = std::find(stations.begin(), stations.end(), end) - stations.begin();
          cell.cover(bend_levers(design, *state, stations)[static_cast<std::size_t>(at)]);
        }
      cell.add(between_corners(design, from, to, 1.0));
      const double e = 0.02;
      for (int draw = 0; draw < 20; ++draw) {
        const ErrorDraw errors = extreme_bends(design, e, 0.02, 0.03, generator);
        for (const double t : {0.0, 0.3, 0.5, 0.9}) {
          const State state = interpolate(from, to, t);
          const double middle = s + t;
          const double moved =
              (point_with(design, state, errors, middle) - Shape(design, state).point_E(middle)).norm();
          CHECK(moved <= cell.displacement(e, 0.02, 0.03 * bend_per_offset(design)) + 1e-9);
        }
      }
    }
  }
}
