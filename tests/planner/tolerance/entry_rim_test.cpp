// SPDX-License-Identifier: GPL-3.0-or-later
// A segment that bends in front of a tube: how much of one error alone it is proved to stand, against closed
// forms. One flexible length L bent to the angle theta puts its tip at x = L (1 - cos theta) / theta aside
// and at z = L (sin theta / theta - 1) over the entry plane. It touches where it is past the plane, z > 0,
// and less than its radius R from a wall that is rho from the axis: in the corner x > rho - R, z > 0.
#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>

#include <catch2/catch.hpp>

#include "planner/tolerance/worst_case.h"
#include "tests/planner/tolerance/bent_design.h"
#include "tests/support/tube.h"

using namespace withy;
using namespace withy_test;

namespace {

constexpr double kLength_mm = 100.0;
constexpr double kBodyRadius_mm = 1.5;
constexpr double kTubeRadius_mm = 5.0;

/// The tip over the entry plane and aside, bent by theta.
Eigen::Vector2d tip_at(double theta) {
  return {kLength_mm * (1.0 - std::cos(theta)) / theta, kLength_mm * (std::sin(theta) / theta - 1.0)};
}

/// The least of something over all bends from nearly none to 1.5 rad.
template <class Value>
double least_over_bends(const Value& value) {
  double least = INFINITY;
  for (int i = 1; i <= 30000; ++i) least = std::min(least, value(tip_at(5e-5 * i)));
  return least;
}

struct FrontCase {
  explicit FrontCase(const std::vector<Eigen::Vector2d>& bends) {
    testing::TubeShape shape;
    shape.radius_mm = kTubeRadius_mm;
    shape.bend_rad = 0.0;
    shape.length_mm = 60.0;
    const auto wall = std::make_shared<const WallDistance>(testing::make_tube(shape, 20000));
    DesignParts parts = bent_parts(CarriageKind::free, true);
    parts.segment.length_mm = kLength_mm;
    parts.segment.radius_mm = kBodyRadius_mm;
    parts.segment.tip_rigid_mm = 0.0;
    parts.lock.reset();
    parts.latch.reset();
    parts.layout = {};
    auto design = Design::make(std::move(parts));
    REQUIRE(design);
    auto distance = std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.4));
    const Goal goal = {Eigen::Vector3d(0.0, 0.0, 30.0), 2.0, std::nullopt};
    problem = std::make_unique<SearchProblem>(
        SearchProblem{std::move(*design), std::move(distance), goal, 0.0, {}});
    for (std::size_t i = 0; i + 1 < bends.size(); ++i) {
      State from = start_state();
      State to = start_state();
      from.u_free = bends[i] / kLength_mm;
      to.u_free = bends[i + 1] / kLength_mm;
      motions.push_back({from, to, 0});
    }
  }

  /// How much of one error alone is proved to keep it off the wall.
  double stands(ErrorKind kind) const {
    return WorstCase(*problem, motions, motions.back().to, Eigen::Vector3d(0.0, 0.0, 30.0))
        .largest(kind, StandsFor::off_the_wall);
  }

  std::unique_ptr<SearchProblem> problem;
  std::vector<PlannedMotion> motions;
};

/// The tube is a polygon around: its wall comes as much nearer.
constexpr double kNearer_mm = 0.02;

}  // namespace

TEST_CASE("a bend in front of the entry is proved to stand as much as it does, error by error") {
  // There and on, straight aside; and round the entry.
  std::vector<Eigen::Vector2d> round;
  for (int i = 0; i <= 8; ++i)
    round.emplace_back(0.3 * std::cos(0.25 * std::numbers::pi * i),
                       0.3 * std::sin(0.25 * std::numbers::pi * i));
  for (const auto& bends : {std::vector<Eigen::Vector2d>{{0.0, 0.0}, {1.5, 0.0}},
                            std::vector<Eigen::Vector2d>{{-0.7, 0.0}, {0.7, 0.0}, {0.0, 0.7}}, round}) {
    const FrontCase front(bends);
    // The circle's chords pass between its corners, so that bends of 0.92 of 0.3 rad and more are met.
    const bool is_round = bends.size() > 3;
    const double least_bend = is_round ? 0.3 * std::cos(std::numbers::pi / 8.0) : 0.0;
    CAPTURE(bends.size());
    const auto expected = [&](const auto& value) {
      if (!is_round) return least_over_bends(value);
      return value(tip_at(least_bend));
    };
    const auto to_corner = [](double aside_mm) {
      return [aside_mm](const Eigen::Vector2d& tip) {
        return std::hypot(std::max(0.0, aside_mm - tip.x()), std::max(0.0, -tip.y()));
      };
    };
    // Turned about the entry point a tip that is far enough off comes over the plane by its angle below it.
    const auto below = [](double aside_mm) {
      return [aside_mm](const Eigen::Vector2d& tip) {
        return tip.norm() < aside_mm ? INFINITY : std::atan2(-tip.y(), tip.x());
      };
    };
    const double aside_mm = kTubeRadius_mm - kBodyRadius_mm;
    for (const ErrorKind kind : {ErrorKind::entry_position, ErrorKind::registration_position}) {
      const double stood_mm = front.stands(kind);
      CHECK(stood_mm <= expected(to_corner(aside_mm)) + 1e-6);
      CHECK(stood_mm >= 0.95 * expected(to_corner(aside_mm - kNearer_mm)));
    }
    const double stood_rad = front.stands(ErrorKind::entry_angle);
    CHECK(stood_rad <= expected(below(aside_mm)) + 1e-6);
    CHECK(stood_rad >= 0.95 * expected(below(aside_mm - kNearer_mm)));
  }
}
