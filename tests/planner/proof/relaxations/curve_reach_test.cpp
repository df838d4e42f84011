// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 25: tips of states drawn at random never lie beyond it, and curves bent as far as they may come as
// far as it says.
#include "planner/proof/relaxations/curve_reach.h"

#include <cmath>
#include <numbers>
#include <random>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/segment/shape.h"

using namespace withy;
using Catch::Matchers::WithinRel;

namespace {

Design segment(CarriageKind carriage, double insertion_mm, std::vector<double> stations,
               double curvature_per_mm, double tip_mm) {
  DesignParts parts;
  parts.segment = {60.0, 1.5, tip_mm, curvature_per_mm, 900.0};
  parts.carriage = {carriage, insertion_mm};
  if (!stations.empty()) {
    parts.lock = LockHardware{3.0, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 1e6};
    parts.layout.clock_rad.assign(stations.size(), 0.0);
    parts.layout.station_mm = std::move(stations);
  }
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

}  // namespace

TEST_CASE("No allowed state has its tip beyond the reach of curves, whatever its locks hold") {
  const std::uint32_t seed = 2501;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  int allowed = 0;
  for (int i = 0; i < 20000; ++i) {
    const bool guide = i % 2 == 0;
    const double insertion = guide && i % 4 == 0 ? 40.0 : 80.0;
    const Design design = segment(guide ? CarriageKind::guide : CarriageKind::free, insertion, {18.0, 41.0},
                                  i % 3 == 0 ? 0.06 : 0.02, 2.0);
    const double kappa = design.segment().curvature_max_per_mm;
    State state = start_state();
    state.insertion_mm = insertion * std::abs(uniform(random));
    // As far as it goes as often as not.
    const auto bend = [&](double most) {
      const double phi = std::numbers::pi * uniform(random);
      const double size = most * (uniform(random) > 0.0 ? 1.0 : std::abs(uniform(random)));
      return Eigen::Vector2d(size * std::cos(phi), size * std::sin(phi));
    };
    double from = 0.0;
    for (int lock = 0; lock < 2; ++lock) {
      if (uniform(random) < 0.0) continue;
      state.engaged.set(static_cast<std::size_t>(lock));
      const double to = design.station_mm(lock);
      state.theta_frozen.push_back(
          bend(kappa * exposed_flexible_length(design, state.insertion_mm, from, to)));
      from = to;
    }
    state.u_free = bend(kappa);
    if (!within_limits(design, state)) continue;
    ++allowed;
    const Eigen::Isometry3d tip = Shape(design, state).tip_E();
    CAPTURE(i, state.insertion_mm, tip.translation().transpose());
    REQUIRE_FALSE(beyond_all_curves(design, {tip.translation(), 0.0, tip.linear().col(2), 0.0}));
  }
  CHECK(allowed > 10000);
}

TEST_CASE("A curve bent as far as it may comes as far off the axis as is said, and no farther") {
  // One arc of a quarter turn or less; then a quarter turn and straight on, which two locks make.
  CHECK_THAT(farthest_off_axis(0.02, 60.0), WithinRel((1.0 - std::cos(1.2)) / 0.02, 1e-12));
  CHECK_THAT(farthest_off_axis(0.05, 60.0), WithinRel(20.0 + 60.0 - 10.0 * std::numbers::pi, 1e-12));
  const Design arc = segment(CarriageKind::free, 80.0, {}, 0.02, 0.0);
  const double off = farthest_off_axis(0.02, 60.0);
  CHECK_FALSE(beyond_all_curves(arc, {{off, 0.0, 40.0}, 0.0, std::nullopt, 0.0}));
  CHECK(beyond_all_curves(arc, {{off + 0.01, 0.0, 40.0}, 0.0, std::nullopt, 0.0}));
  CHECK(beyond_all_curves(arc, {{0.0, 0.0, 80.01}, 0.0, std::nullopt, 0.0}));
  CHECK_FALSE(beyond_all_curves(arc, {{0.0, 0.0, 80.01}, 0.02, std::nullopt, 0.0}));
  const Eigen::Vector3d turned(std::sin(1.21), 0.0, std::cos(1.21));
  CHECK(beyond_all_curves(arc, {{0.0, 0.0, 40.0}, 1.0, turned, 0.0}));
  CHECK_FALSE(beyond_all_curves(arc, {{0.0, 0.0, 40.0}, 1.0, turned, 0.02}));
}
