// SPDX-License-Identifier: GPL-3.0-or-later
// The centreline against tubes whose middle line has closed-form figures.
#include "geometry/channel/centreline.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/phantom/channel_maker.h"

using namespace withy;
using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;

namespace {

TubeRecipe tube(double radius) {
  TubeRecipe t;
  t.name = "trunk";
  t.radius.knots = {{0.0, radius}};
  return t;
}

Centreline centreline_of(std::vector<TubeRecipe> tubes, double edge, int sides = 0) {
  ChannelRecipe recipe;
  recipe.edge_length_mm = edge;
  recipe.sides = sides;
  recipe.tubes = std::move(tubes);
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  Entry entry;
  entry.opening_radius_mm = recipe.tubes.front().radius.largest() + 0.5;
  auto channel = make_channel(made->mesh_S, entry, Outlets::closed);
  REQUIRE(channel);
  return compute_centreline(WallDistance(std::make_shared<const Channel>(std::move(*channel))));
}

double mean_of(const CentrelineBranch& branch, double CentrelinePoint::*figure, double margin) {
  double sum = 0.0;
  int count = 0;
  for (const CentrelinePoint& p : branch.points)
    if (p.station_mm > margin && p.station_mm < branch.length_mm() - margin) {
      sum += p.*figure;
      ++count;
    }
  REQUIRE(count > 0);
  return sum / count;
}

}  // namespace

TEST_CASE("A straight tube's centreline is its axis, with the tube's length and radius and no tortuosity") {
  TubeRecipe t = tube(5.0);
  t.bends = {{80.0, Eigen::Vector2d::Zero()}};
  const Centreline c = centreline_of({t}, 1.0);
  REQUIRE(c.branches.size() == 1);
  CHECK_THAT(c.branches[0].length_mm(), WithinAbs(80.0, 2.0));
  CHECK_THAT(c.branches[0].tortuosity(), WithinAbs(1.0, 0.01));
  CHECK_THAT(mean_of(c.branches[0], &CentrelinePoint::radius_mm, 8.0), WithinAbs(5.0, 0.1));
  for (const CentrelinePoint& p : c.branches[0].points)
    if (p.station_mm < 70.0) CHECK(p.p_E.head<2>().norm() < 0.3);
}

TEST_CASE("An arc's centreline has the arc's curvature and tortuosity, also on a tube of eight sides") {
  // Arc of radius 40 mm over 120 degrees: curvature 1/40, arc over chord (2 pi / 3) / (2 sin(pi / 3)).
  for (const int sides : {0, 8}) {
    CAPTURE(sides);
    TubeRecipe t = tube(5.0);
    t.bends = {{40.0 * 2.0 * M_PI / 3.0, Eigen::Vector2d(1.0 / 40.0, 0.0)}};
    const Centreline c = centreline_of({t}, 2.0, sides);
    REQUIRE(c.branches.size() == 1);
    CHECK_THAT(mean_of(c.branches[0], &CentrelinePoint::curvature_per_mm, 15.0), WithinRel(1.0 / 40.0, 0.1));
    CHECK_THAT(c.branches[0].tortuosity(),
               WithinRel((2.0 * M_PI / 3.0) / (2.0 * std::sin(M_PI / 3.0)), 0.05));
  }
}

TEST_CASE("A helix's centreline has the helix's curvature a / (a^2 + b^2) and torsion b / (a^2 + b^2)") {
  // Closed forms: M. P. do Carmo, "Differential Geometry of Curves and Surfaces", 1976, section 1-5,
  // exercise 1.
  const double a = 20.0;
  const double b = 15.0;
  TubeRecipe t = tube(4.0);
  // The helix leaves the origin along z: its own tangent there, (0, a, b) / sqrt(a^2 + b^2), is turned onto
  // z.
  const double norm = std::hypot(a, b);
  const Eigen::Vector3d tangent(0.0, a / norm, b / norm);
  const Eigen::Quaterniond turn = Eigen::Quaterniond::FromTwoVectors(tangent, Eigen::Vector3d::UnitZ());
  for (double angle = 0.0; angle <= 2.0 * M_PI; angle += 0.1)
    t.points.push_back(turn * Eigen::Vector3d(a * std::cos(angle) - a, a * std::sin(angle), b * angle));
  const Centreline c = centreline_of({t}, 1.5);
  REQUIRE(c.branches.size() == 1);
  const double margin = 20.0;
  CHECK_THAT(mean_of(c.branches[0], &CentrelinePoint::curvature_per_mm, margin),
             WithinRel(a / (a * a + b * b), 0.1));
  CHECK_THAT(mean_of(c.branches[0], &CentrelinePoint::torsion_per_mm, margin),
             WithinRel(b / (a * a + b * b), 0.3));
}

TEST_CASE("A tube that forks has as many branches as far ends, joined where it forks") {
  TubeRecipe trunk = tube(6.0);
  trunk.bends = {{60.0, Eigen::Vector2d::Zero()}};
  TubeRecipe side = tube(4.0);
  side.name = "side";
  side.parent = 0;
  side.at_mm = 35.0;
  side.turn_rad = M_PI / 3.0;
  side.bends = {{40.0, Eigen::Vector2d::Zero()}};
  const Centreline c = centreline_of({trunk, side}, 1.5);
  REQUIRE(c.branches.size() == 2);
  CHECK(c.branches[1].parent == 0);
  CHECK_THAT(c.branches[1].parent_station_mm, WithinAbs(37.0, 8.0));
}
