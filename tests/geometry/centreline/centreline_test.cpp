// SPDX-License-Identifier: GPL-3.0-or-later
// The centreline against tubes whose middle line has closed-form figures.
#include "geometry/centreline/centreline.h"

#include <algorithm>
#include <cmath>
#include <memory>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

#include "geometry/phantom/channel_maker.h"
#include "tests/support/stopped_effort.h"

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

std::shared_ptr<const WallDistance> wall_of(std::vector<TubeRecipe> tubes, double edge, int sides = 0,
                                            TubeEnd far_ends = TubeEnd::capped,
                                            Outlets outlets = Outlets::closed) {
  ChannelRecipe recipe;
  recipe.edge_length_mm = edge;
  recipe.sides = sides;
  recipe.far_ends = far_ends;
  recipe.tubes = std::move(tubes);
  const auto made = make_channel_mesh(recipe);
  if (!made) FAIL(made.error().problem);
  Entry entry;
  entry.opening_radius_mm = recipe.tubes.front().radius.at(0.0) + 0.5;
  auto wall = make_wall(made->mesh_S, entry, outlets);
  REQUIRE(wall);
  return *wall;
}

Centreline centreline_of(std::vector<TubeRecipe> tubes, double edge, int sides = 0) {
  return compute_centreline(*wall_of(std::move(tubes), edge, sides));
}

/// Does a piece of line cross a triangle? By signs of volumes of tetrahedra (common practice, no source).
bool crosses(const Eigen::Vector3d& p, const Eigen::Vector3d& q, const Eigen::Vector3d& a,
             const Eigen::Vector3d& b, const Eigen::Vector3d& c) {
  const auto volume = [](const Eigen::Vector3d& o, const Eigen::Vector3d& x, const Eigen::Vector3d& y,
                         const Eigen::Vector3d& z) { return (x - o).cross(y - o).dot(z - o); };
  if (volume(p, a, b, c) * volume(q, a, b, c) >= 0.0) return false;
  const double u = volume(p, q, a, b);
  const double v = volume(p, q, b, c);
  const double w = volume(p, q, c, a);
  return (u > 0.0 && v > 0.0 && w > 0.0) || (u < 0.0 && v < 0.0 && w < 0.0);
}

/// Pieces of lines that cross a wall face, every piece against every face; ends of lines left out.
int crossings(const Centreline& lines, const Channel& channel) {
  int found = 0;
  for (const CentrelineBranch& branch : lines.branches)
    for (std::size_t i = 1; i + 2 < branch.points.size(); ++i)
      for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f) {
        if (channel.role[f] != FaceRole::wall) continue;
        const auto& t = channel.mesh_E.triangles[f];
        const auto corner = [&](std::size_t k) {
          return channel.mesh_E.vertices[static_cast<std::size_t>(t[k])];
        };
        if (crosses(branch.points[i].p_E, branch.points[i + 1].p_E, corner(0), corner(1), corner(2))) ++found;
      }
  return found;
}

/// Points of a curve from `t0` to `t1`, moved and turned so that it leaves the origin along z.
template <class Curve>
std::vector<Eigen::Vector3d> from_origin(const Curve& curve, double t0, double t1, int parts) {
  const double h = 1e-6;
  const Eigen::Vector3d tangent = curve(t0 + h) - curve(t0 - h);
  const Eigen::Quaterniond turn = Eigen::Quaterniond::FromTwoVectors(tangent, Eigen::Vector3d::UnitZ());
  std::vector<Eigen::Vector3d> points;
  for (int i = 0; i <= parts; ++i) points.push_back(turn * (curve(t0 + (t1 - t0) * i / parts) - curve(t0)));
  return points;
}

/// Arc length by Simpson's rule on the closed form of a curve's speed.
template <class Speed>
double arc_length(const Speed& speed, double t0, double t1) {
  const int parts = 2000;
  const double h = (t1 - t0) / parts;
  double sum = speed(t0) + speed(t1);
  for (int i = 1; i < parts; ++i) sum += (i % 2 == 1 ? 4.0 : 2.0) * speed(t0 + i * h);
  return sum * h / 3.0;
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

TEST_CASE("A trefoil tube's centreline is as long as the torus knot, also behind the entry plane") {
  // The (2, 3) torus knot ((R + r cos 3t) cos 2t, (R + r cos 3t) sin 2t, r sin 3t); its speed squared is
  // 4 (R + r cos 3t)^2 + 9 r^2 (by differentiation). All of it but a short gap, so that it has two ends.
  const double R = 40.0;
  const double r = 18.0;
  const auto knot = [&](double t) {
    const double w = R + r * std::cos(3.0 * t);
    return Eigen::Vector3d(w * std::cos(2.0 * t), w * std::sin(2.0 * t), r * std::sin(3.0 * t));
  };
  const auto speed = [&](double t) {
    return std::sqrt(4.0 * std::pow(R + r * std::cos(3.0 * t), 2) + 9.0 * r * r);
  };
  const double t1 = 2.0 * M_PI - 0.25;
  TubeRecipe t = tube(6.0);
  t.points = from_origin(knot, 0.0, t1, 200);
  for (const TubeEnd far_ends : {TubeEnd::open, TubeEnd::capped}) {
    const auto wall = wall_of({t}, 3.0, 0, far_ends);
    const Centreline c = compute_centreline(*wall);
    REQUIRE(c.branches.size() == 1);
    CHECK_THAT(c.branches[0].length_mm(), WithinRel(arc_length(speed, 0.0, t1), 0.02));
    CHECK_THAT(mean_of(c.branches[0], &CentrelinePoint::radius_mm, 10.0), WithinAbs(6.0, 0.25));
    CHECK((c.branches[0].points.back().p_E - t.points.back()).norm() < 3.0);
    CHECK((c.branches[0].opening >= 0) == (far_ends == TubeEnd::open));
    CHECK(crossings(c, wall->channel()) == 0);
  }
}

TEST_CASE("A middle line that is cut short anywhere is none") {
  TubeRecipe t = tube(6.0);
  t.bends = {{60.0, Eigen::Vector2d(0.01, 0.0)}};
  const auto wall = wall_of({t}, 3.0);
  const Centreline whole = compute_centreline(*wall);
  REQUIRE(whole.branches.size() == 1);
  bool ended = false;
  for (int questions = 0; questions < 1 << 24 && !ended; questions = 2 * questions + 1) {
    const Effort effort = withy_test::stopped_after(questions);
    const Centreline cut = compute_centreline(*wall, {.effort = effort});
    ended = !effort.cut_short();
    CAPTURE(questions);
    CHECK(cut.branches.size() == (ended ? 1 : 0));
    if (ended) CHECK(cut.branches[0].length_mm() == whole.branches[0].length_mm());
  }
  CHECK(ended);
}

TEST_CASE("Two legs of a hairpin, a thin septum between them, are not taken for one lumen") {
  // Legs of 60 mm, a half circle of radius 4.5 mm between them, tubes of 4 mm: the septum is 1 mm thick.
  // The bends of the recipe's own closed form: 2 * 60 + pi * 4.5 mm.
  TubeRecipe t = tube(4.0);
  t.bends = {{60.0, Eigen::Vector2d::Zero()},
             {M_PI * 4.5, Eigen::Vector2d(1.0 / 4.5, 0.0)},
             {60.0, Eigen::Vector2d::Zero()}};
  for (const Outlets outlets : {Outlets::open, Outlets::closed}) {
    const auto wall = wall_of({t}, 1.0, 0, TubeEnd::open, outlets);
    const Centreline c = compute_centreline(*wall);
    REQUIRE(c.branches.size() == 1);
    // On the inside of so tight a bend the middle of the lumen is nearer than the tube's own line.
    CHECK_THAT(c.branches[0].length_mm(), WithinRel(120.0 + M_PI * 4.5, 0.05));
    CHECK(crossings(c, wall->channel()) == 0);
  }
}

TEST_CASE("A narrow branch off a wide chamber, a chamber at the end of a neck and all openings are found") {
  // A trunk that widens from 3 mm to 20 and narrows again, 120 mm long; out of the wide part a tube of 1.5 mm
  // whose end lies 40 mm from the trunk's line; and a ball of 6 mm on a neck of 2.5 mm.
  TubeRecipe trunk = tube(3.0);
  trunk.bends = {{120.0, Eigen::Vector2d::Zero()}};
  trunk.radius.knots = {{0.0, 3.0}, {30.0, 3.0}, {45.0, 20.0}, {75.0, 20.0}, {90.0, 3.0}};
  TubeRecipe narrow = tube(1.5);
  narrow.name = "narrow";
  narrow.parent = 0;
  narrow.at_mm = 60.0;
  narrow.turn_rad = M_PI / 2.0;
  narrow.bends = {{40.0, Eigen::Vector2d::Zero()}};
  TubeRecipe neck = tube(2.5);
  neck.name = "neck";
  neck.parent = 0;
  neck.at_mm = 108.0;
  neck.turn_rad = M_PI / 2.0;
  neck.bends = {{20.0, Eigen::Vector2d::Zero()}};
  neck.radius.knots = {{0.0, 2.5}, {8.0, 2.5}, {10.0, 5.0}, {14.0, 6.0}, {18.0, 5.0}};
  const auto wall = wall_of({trunk, narrow, neck}, 1.0, 0, TubeEnd::open, Outlets::open);
  const Channel& channel = wall->channel();
  REQUIRE(channel.openings.size() == 4);
  const Centreline c = compute_centreline(*wall);
  CHECK(c.missed_openings.empty());
  for (std::size_t o = 0; o < channel.openings.size(); ++o) {
    if (channel.openings[o].is_entry) continue;
    CAPTURE(o);
    const auto to = std::count_if(c.branches.begin(), c.branches.end(),
                                  [&](const auto& b) { return b.opening == static_cast<int>(o); });
    CHECK(to == 1);
  }
  CHECK(crossings(c, channel) == 0);
  const auto to = [&](const Eigen::Vector3d& end) {
    const auto found = std::find_if(c.branches.begin(), c.branches.end(),
                                    [&](const auto& b) { return (b.points.back().p_E - end).norm() < 1.0; });
    REQUIRE(found != c.branches.end());
    return *found;
  };
  const CentrelineBranch through = to({0.0, 0.0, 120.0});
  CHECK_THAT(through.parent_station_mm + through.length_mm(), WithinRel(120.0, 0.03));
  int narrow_points = 0;
  for (const CentrelinePoint& p : to({40.0, 0.0, 60.0}).points) {
    if (p.p_E.x() < 24.0) continue;
    ++narrow_points;
    CHECK_THAT(p.radius_mm, WithinAbs(1.5, 0.25));
    CHECK_THAT(p.p_E.z(), WithinAbs(60.0, 0.3));
  }
  CHECK(narrow_points >= 16);
}

TEST_CASE("A sharp neck, wherever it is, is one place of one line, and no corner beside it is a branch") {
  // 60 mm of a tube of 6 mm, open at both ends; on 2.4 mm of it the wall comes in to 2 mm and goes back.
  for (const double at_mm : {3.6, 30.0, 57.0})
    for (const double edge_mm : {0.5, 0.8}) {
      CAPTURE(at_mm, edge_mm);
      TubeRecipe necked = tube(6.0);
      necked.bends = {{60.0, Eigen::Vector2d::Zero()}};
      necked.radius.knots = {{0.0, 6.0}, {at_mm - 1.2, 6.0}, {at_mm, 2.0}, {at_mm + 1.2, 6.0}};
      const auto wall = wall_of({necked}, edge_mm, 0, TubeEnd::open);
      const Centreline c = compute_centreline(*wall);
      REQUIRE(c.branches.size() == 1);
      CHECK_THAT(c.branches[0].length_mm(), WithinRel(60.0, 0.01));
      CHECK((c.branches[0].points.back().p_E - Eigen::Vector3d(0.0, 0.0, 60.0)).norm() < 1e-6);
      const auto& points = c.branches[0].points;
      const auto narrow = std::min_element(points.begin(), points.end(), [](const auto& p, const auto& q) {
        return p.radius_mm < q.radius_mm;
      });
      // Points stand a millimetre apart; within half of that the nearest wall is the ring, as far as it may
      // be.
      CHECK(narrow->radius_mm >= 1.9);
      CHECK(narrow->radius_mm <= std::hypot(2.0, 0.5) + 0.05);
      CHECK_THAT(narrow->p_E.z(), WithinAbs(at_mm, 0.6));
    }
}

TEST_CASE("Round a handle two branches meet, together as long as its circle") {
  // A torus of radii 20 and 5 mm, entered through its outermost faces: 2 pi 20 mm round.
  const double R = 20.0;
  const double r = 5.0;
  TriangleMesh mesh;
  const int around = 160;
  const int across = 24;
  for (int i = 0; i < around; ++i)
    for (int j = 0; j < across; ++j) {
      const double u = 2.0 * M_PI * i / around;
      const double v = 2.0 * M_PI * j / across;
      const double w = R + r * std::cos(v);
      mesh.vertices.emplace_back(w * std::cos(u), w * std::sin(u), r * std::sin(v));
      const int i2 = (i + 1) % around;
      const int j2 = (j + 1) % across;
      mesh.triangles.push_back({i * across + j, i2 * across + j, i2 * across + j2});
      mesh.triangles.push_back({i * across + j, i2 * across + j2, i * across + j2});
    }
  Entry entry;
  entry.opening_radius_mm = 1.9;
  entry.X_SE.translation() = Eigen::Vector3d(R + r - 0.45, 0.0, 0.0);
  entry.X_SE.linear() =
      Eigen::Quaterniond::FromTwoVectors(Eigen::Vector3d::UnitZ(), -Eigen::Vector3d::UnitX()).matrix();
  const auto wall = make_wall(mesh, entry, Outlets::closed);
  if (!wall) FAIL(wall.error().problem);
  const Centreline c = compute_centreline(**wall);
  REQUIRE(c.branches.size() == 2);
  CHECK(c.branches[1].joins == 0);
  CHECK(c.branches[1].parent == 0);
  CHECK((c.branches[1].points.back().p_E - c.branches[0].points.back().p_E).norm() < 0.5);
  const double ring = c.branches[0].length_mm() - c.branches[1].parent_station_mm + c.branches[1].length_mm();
  CHECK_THAT(ring, WithinRel(2.0 * M_PI * R, 0.05));
  CHECK(crossings(c, (*wall)->channel()) == 0);
}

TEST_CASE("The same tube ten times larger or smaller has the same centreline, so much larger") {
  TubeRecipe t = tube(4.0);
  t.bends = {{30.0, Eigen::Vector2d::Zero()}, {30.0, Eigen::Vector2d(0.0, 1.0 / 25.0)}};
  ChannelRecipe recipe;
  recipe.tubes = {t};
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  for (const double scale : {0.1, 1.0, 10.0}) {
    CAPTURE(scale);
    TriangleMesh mesh = made->mesh_S;
    for (Eigen::Vector3d& v : mesh.vertices) v *= scale;
    Entry entry;
    entry.opening_radius_mm = 4.5 * scale;
    const auto wall = make_wall(mesh, entry, Outlets::closed);
    REQUIRE(wall);
    const Centreline c = compute_centreline(**wall);
    REQUIRE(c.branches.size() == 1);
    CHECK_THAT(c.branches[0].length_mm(), WithinRel(60.0 * scale, 0.03));
  }
}

TEST_CASE("a middle line does not leave the lumen by an opening that lies along it") {
  // A tube of 3 x 7 mm along z, 60 long, its wide side x = 1.5 left open between z = 12 and 48: beyond that
  // opening all sides are farther off than in the tube.
  const double side_mm = 1.5;
  TriangleMesh mesh;
  for (int ring = 0; ring <= 30; ++ring)
    for (const auto& [x, y] : {std::pair(1, -1), std::pair(1, 1), std::pair(-1, 1), std::pair(-1, -1)})
      mesh.vertices.emplace_back(side_mm * x, 3.5 * y, 2.0 * ring);
  for (int ring = 0; ring < 30; ++ring)
    for (int k = 0; k < 4; ++k) {
      if (k == 0 && ring >= 6 && ring < 24) continue;
      const auto v = [&](int up, int on) { return 4 * (ring + up) + (k + on) % 4; };
      mesh.triangles.push_back({v(0, 0), v(0, 1), v(1, 1)});
      mesh.triangles.push_back({v(0, 0), v(1, 1), v(1, 0)});
    }
  mesh.triangles.push_back({120, 121, 122});
  mesh.triangles.push_back({120, 122, 123});
  Entry entry;
  entry.opening_radius_mm = 5.5;
  const auto wall = make_wall(mesh, entry, Outlets::closed);
  INFO((wall ? std::string() : wall.error().problem));
  REQUIRE(wall);
  int beside = 0;
  const Centreline lines = compute_centreline(**wall);
  for (const CentrelineBranch& branch : lines.branches)
    for (std::size_t i = 1; i + 1 < branch.points.size(); ++i) {
      const Eigen::Vector3d& p = branch.points[i].p_E;
      beside += p.z() > 12.0 && p.z() < 48.0;
      CAPTURE(p.transpose());
      CHECK(p.x() <= side_mm + 1e-9);
      CHECK((*wall)->inside(p));
    }
  CHECK(beside > 10);
}
