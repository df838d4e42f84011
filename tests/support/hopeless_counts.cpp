// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/hopeless_counts.h"

#include <cmath>
#include <stdexcept>

#include "geometry/phantom/channel_maker.h"

namespace withy::testing {

namespace {

constexpr double kLength_mm = 30.0;
constexpr double kCurvature_per_mm = 0.03;

Design segment(const Stations& stations) {
  DesignParts parts;
  parts.segment = {kLength_mm, 1.0, 1.0, kCurvature_per_mm, 300.0};
  parts.carriage = {CarriageKind::free, 60.0};
  parts.lock = LockHardware{3.0, 1.2, 0.004, 0.0, 1.57, 0.01, 0.004, 1e6};
  parts.layout.station_mm = stations;
  parts.layout.clock_rad.assign(stations.size(), 0.0);
  parts.latch = LatchHardware{0.15, 0.8, {0.25 * M_PI, 0.75 * M_PI, 1.25 * M_PI, 1.75 * M_PI}, 0.02, 0.02};
  auto design = Design::make(std::move(parts));
  if (!design) throw std::logic_error(design.error().problem);
  return *design;
}

using Bends = std::vector<TubePath::Bend>;
using Radii = std::vector<std::pair<double, double>>;

SearchProblem question(const Bends& bends, const Radii& radii, const Eigen::Vector3d& target,
                       double tolerance_mm) {
  ChannelRecipe recipe;
  recipe.edge_length_mm = 0.6;
  TubeRecipe trunk;
  trunk.name = "trunk";
  trunk.bends = bends;
  for (const auto& [station, radius] : radii) trunk.radius.knots.push_back({station, radius});
  recipe.tubes.push_back(trunk);
  const auto made = make_channel_mesh(recipe);
  if (!made) throw std::logic_error(made.error().problem);
  Entry entry;
  entry.opening_radius_mm = radii.front().second + 0.5;
  auto channel = make_channel(made->mesh_S, entry, Outlets::closed);
  if (!channel) throw std::logic_error(channel.error().problem);
  const auto wall =
      std::make_shared<const WallDistance>(std::make_shared<const Channel>(std::move(*channel)));
  Goal goal;
  goal.point_E = target;
  goal.tolerance_mm = tolerance_mm;
  return {segment({15.0}),
          std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.2)),
          goal,
          0.1,
          {}};
}

const Eigen::Vector2d kStraight = Eigen::Vector2d::Zero();

/// A quarter turn about +y of radius r after `before` mm, then `after` mm of straight tube of radius `wide`.
SearchProblem corner(double before, double r, double wide, double behind) {
  const double arc = 0.5 * M_PI * r;
  return question({{before, kStraight}, {arc, {1.0 / r, 0.0}}, {behind + 8.0, kStraight}}, {{0.0, wide}},
                  {r + behind, 0.0, before + r}, 1.0);
}

/// Bends by `turn` about +y with radius r, and back.
SearchProblem two_ways(double before, double r, double turn, double wide, double behind) {
  const double arc = turn * r;
  const Eigen::Vector3d end(2.0 * r * (1.0 - std::cos(turn)), 0.0, before + 2.0 * r * std::sin(turn));
  return question(
      {{before, kStraight}, {arc, {1.0 / r, 0.0}}, {arc, {-1.0 / r, 0.0}}, {behind + 6.0, kStraight}},
      {{0.0, wide}}, end + Eigen::Vector3d(0.0, 0.0, behind), 1.0);
}

SearchProblem turned() {
  SearchProblem asked = question({{50.0, kStraight}}, {{0.0, 15.0}}, {8.0, 0.0, 30.0}, 2.0);
  asked.goal.direction_E = Eigen::Vector3d(std::sin(1.4), 0.0, std::cos(1.4));
  asked.goal.direction_tolerance_rad = 0.2;
  return asked;
}

}  // namespace

std::vector<HopelessCount> hopeless_counts(const std::vector<std::string>& names) {
  const auto wanted = [&](const std::string& name) {
    return names.empty() || std::find(names.begin(), names.end(), name) != names.end();
  };
  std::vector<HopelessCount> all;
  if (wanted("throat"))
    all.push_back(
        {"throat", question({{50.0, kStraight}},
                            {{0.0, 5.0}, {18.0, 5.0}, {22.0, 0.9}, {27.0, 0.9}, {31.0, 5.0}, {50.0, 5.0}},
                            {0.0, 0.0, 40.0}, 2.0)});
  if (wanted("aside"))
    all.push_back({"aside", question({{50.0, kStraight}}, {{0.0, 25.0}}, {17.0, 0.0, 30.0}, 2.0)});
  if (wanted("turned")) all.push_back({"turned", turned()});
  if (wanted("corner")) all.push_back({"corner", corner(15.0, 4.0, 2.5, 9.0)});
  if (wanted("two-ways")) all.push_back({"two-ways", two_ways(10.0, 5.0, 1.2, 2.2, 6.0)});
  return all;
}

SearchProblem with_locks_at(const SearchProblem& asked, const Stations& stations) {
  SearchProblem out = asked;
  out.design = segment(stations);
  return out;
}

}  // namespace withy::testing
