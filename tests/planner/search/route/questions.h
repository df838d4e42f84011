// SPDX-License-Identifier: GPL-3.0-or-later
// Small questions for the search: a segment, a channel made for it, a target.
#pragma once

#include <memory>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "geometry/phantom/channel_maker.h"
#include "planner/search/problem.h"
#include "planner/search/route/route.h"

namespace withy::questions {

inline constexpr double kLength = 60.0;
inline constexpr double kRadius = 1.5;
inline constexpr double kCurvatureMax = 0.04;
inline constexpr double kRequired = 0.2;

struct SegmentMakeup {
  CarriageKind carriage = CarriageKind::free;
  std::vector<double> stations = {};
  double notch_pitch = 0.0;
  double lock_radius = kRadius;
  double tip_rigid = 2.0;
};

inline Design segment(const SegmentMakeup& makeup) {
  DesignParts parts;
  parts.segment = {kLength, kRadius, makeup.tip_rigid, kCurvatureMax, 900.0};
  parts.carriage = {makeup.carriage, makeup.carriage == CarriageKind::guide ? kLength : 100.0};
  if (!makeup.stations.empty()) {
    parts.lock = LockHardware{4.0, makeup.lock_radius, 0.004, 0.0, 1.57, 0.01, 0.004, 1e6};
    parts.layout.clock_rad.assign(makeup.stations.size(), 0.0);
    parts.layout.station_mm = makeup.stations;
    parts.latch = LatchHardware{
        makeup.notch_pitch, 1.2, {0.25 * M_PI, 0.75 * M_PI, 1.25 * M_PI, 1.75 * M_PI}, 0.02, 0.02};
  }
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

struct Tube {
  std::shared_ptr<const ChannelDistance> distance;
  double facets_inside_mm = 0.0;
  double facets_outside_mm = 0.0;
  TriangleMesh mesh_S;  ///< as it was made
  double opening_radius_mm = 0.0;
};

/// A tube along `bends` from the entry on; `radius` by station.
inline Tube tube(std::vector<TubePath::Bend> bends, std::vector<std::pair<double, double>> radius,
                 double edge_mm = 0.5) {
  ChannelRecipe recipe;
  recipe.edge_length_mm = edge_mm;
  TubeRecipe trunk;
  trunk.name = "trunk";
  trunk.bends = std::move(bends);
  for (const auto& [station, r] : radius) trunk.radius.knots.push_back({station, r});
  recipe.tubes.push_back(trunk);
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  Entry entry;
  entry.opening_radius_mm = radius.front().second + 0.5;
  auto channel = make_channel(made->mesh_S, entry, Outlets::closed);
  REQUIRE(channel);
  const auto wall =
      std::make_shared<const WallDistance>(std::make_shared<const Channel>(std::move(*channel)));
  return {std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.25)),
          made->facets_inside_mm, made->facets_outside_mm, made->mesh_S, entry.opening_radius_mm};
}

/// Every motion and switch of a route is allowed, and a switch moves nothing.
inline void check_allowed(const StepJudge& judge, const Route& route) {
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const RouteStep& step = route.steps[i];
    const State& before = route.state_before(i);
    CAPTURE(i);
    if (step.lock >= 0) {
      CHECK(step.to.insertion_mm == before.insertion_mm);
      CHECK(step.to.u_free == before.u_free);
      CHECK(judge.switch_allowed(before, step.lock, step.to));
    } else {
      CHECK(judge.motion_allowed(before, step.to));
    }
  }
}

inline SearchProblem question(const Design& design, const Tube& channel, const Eigen::Vector3d& target,
                              double tolerance = 1.0) {
  SearchProblem asked{design, channel.distance, {}, kRequired, {}};
  asked.goal.point_E = target;
  asked.goal.tolerance_mm = tolerance;
  return asked;
}

}  // namespace withy::questions
