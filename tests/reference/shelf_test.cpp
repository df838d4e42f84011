// SPDX-License-Identifier: GPL-3.0-or-later
// The shelf's channels have the sizes of the published tables that they are made from. Sizes are measured on
// the mesh that the recipe makes: circles and axes fitted to its vertices, sections cut through its
// triangles. The recipe says only where to look. Meshes of branches are made with longer edges than the
// recipe's, which saves time and moves no wall: vertices lie on it whatever the edge length. Tables typed
// from: E. R. Weibel, "Morphometry of the Human Lung", 1963, model A, and K. Horsfield, 1994, both as given
// in J. Tu, K. Inthavong, G. Ahmadi, "Computational Fluid and Particle Dynamics in the Human Respiratory
// System", 2013, tables 3.2 and 3.3; the model of 35 orders after K. Horsfield and others, "Models of the
// human bronchial tree", 1971, as a public program lists it (scenes/shelf/airway-asymmetric/README.md); E.
// Girsowicz and others, "Anatomical Study of Healthy Aortic Arches", 2017; Yan Yu and others (branches of the
// arch); H. Goodfellow, E. Tahti (editors), "Industrial Ventilation Design Guidebook", 2001, table 5.5; H.
// Ellis, "Clinical Anatomy", 2006, B. P. Saunders and others, 1996, and S. E. Pritchard and others, 2014
// (colon); D. Rachid Filho and others, 2009, K. R. Gandhi and S. Chavan, 2019, and S. Williamson, 2012
// (kidney). Whole titles stand in the READMEs.
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <optional>
#include <set>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "geometry/phantom/channel_maker.h"
#include "geometry/phantom/recipe.h"
#include "geometry/phantom/tube_tree.h"

namespace {

using namespace withy;

ChannelRecipe recipe_of(const std::string& name) {
  const auto recipe =
      read_recipe(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/shelf" / name / "recipe.toml");
  INFO((recipe ? std::string() : recipe.error().message()));
  REQUIRE(recipe);
  return *recipe;
}

std::size_t index_of(const ChannelRecipe& recipe, const std::string& tube) {
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i)
    if (recipe.tubes[i].name == tube) return i;
  FAIL("no tube " << tube);
  return 0;
}

using Eigen::Vector3d;

TriangleMesh mesh_of(ChannelRecipe recipe, double edge_length_mm) {
  recipe.edge_length_mm = edge_length_mm;
  const auto made = make_channel_mesh(recipe);
  INFO((made ? std::string() : made.error().problem));
  REQUIRE(made);
  return made->mesh_S;
}

/// The circle nearest to points of a plane.
struct Circle {
  Eigen::Vector2d centre = Eigen::Vector2d::Zero();
  double radius_mm = 0.0;
  double spread_mm = 0.0;  ///< root mean square of the points' distances from it
};

/// Least squares of x^2 + y^2 = 2 a x + 2 b y + c. Nothing for fewer than six points, or where they leave the
/// circle open.
std::optional<Circle> circle_through(const std::vector<Eigen::Vector2d>& points) {
  if (points.size() < 6) return std::nullopt;
  Eigen::Matrix3d A = Eigen::Matrix3d::Zero();
  Vector3d b = Vector3d::Zero();
  for (const Eigen::Vector2d& p : points) {
    const Vector3d row(2.0 * p.x(), 2.0 * p.y(), 1.0);
    A += row * row.transpose();
    b += p.squaredNorm() * row;
  }
  const Vector3d x = A.inverse() * b;
  Circle circle{x.head<2>(), std::sqrt(x.z() + x.head<2>().squaredNorm()), 0.0};
  for (const Eigen::Vector2d& p : points)
    circle.spread_mm += std::pow((p - circle.centre).norm() - circle.radius_mm, 2);
  circle.spread_mm = std::sqrt(circle.spread_mm / static_cast<double>(points.size()));
  return circle;
}

/// A tube's section on the mesh.
struct Ring {
  Vector3d centre_S = Vector3d::Zero();
  double radius_mm = 0.0;
  double spread_mm = 0.0;
};

/// Of the vertices within `near_mm` of the section at a station that `wanted` (x, y in the section) takes.
template <class Wanted>
std::optional<Ring> ring_of(const TriangleMesh& mesh, const TubeTree::Tube& tube, double station_mm,
                            double near_mm, Wanted wanted) {
  const Eigen::Isometry3d X = tube.path.pose(station_mm);
  const Eigen::Isometry3d X_inverse = X.inverse();
  const double reach = 1.15 * tube.radius.at(station_mm);
  std::vector<Eigen::Vector2d> points;
  for (const Vector3d& v : mesh.vertices) {
    const Vector3d p = X_inverse * v;
    if (std::abs(p.z()) < near_mm && p.head<2>().norm() < reach && wanted(p))
      points.emplace_back(p.head<2>());
  }
  const auto circle = circle_through(points);
  if (!circle) return std::nullopt;
  return Ring{X * Vector3d(circle->centre.x(), circle->centre.y(), 0.0), circle->radius_mm,
              circle->spread_mm};
}

Ring ring_at(const TriangleMesh& mesh, const TubeTree::Tube& tube, double station_mm, double near_mm) {
  const auto ring = ring_of(mesh, tube, station_mm, near_mm, [](const Vector3d&) { return true; });
  REQUIRE(ring);
  return *ring;
}

/// The roundest section between two stations: away from where tubes join.
Ring roundest_ring(const TriangleMesh& mesh, const TubeTree::Tube& tube, double from_mm, double to_mm) {
  std::optional<Ring> best;
  for (int i = 0; i <= 40; ++i) {
    const double s = from_mm + (to_mm - from_mm) * i / 40.0;
    const auto ring = ring_of(mesh, tube, s, 0.45, [](const Vector3d&) { return true; });
    if (ring && (!best || ring->spread_mm < best->spread_mm)) best = ring;
  }
  REQUIRE(best);
  return *best;
}

std::vector<Vector3d> boundary_vertices(const TriangleMesh& mesh) {
  std::set<std::pair<int, int>> once;
  for (const auto& t : mesh.triangles) {
    for (std::size_t k = 0; k < 3; ++k) {
      const auto edge = std::minmax(t[k], t[(k + 1) % 3]);
      if (!once.insert(edge).second) once.erase(edge);
    }
  }
  std::set<int> rim;
  for (const auto& [a, b] : once) rim.insert({a, b});
  std::vector<Vector3d> vertices;
  for (const int v : rim) vertices.push_back(mesh.vertices[static_cast<std::size_t>(v)]);
  return vertices;
}

/// The rim of an open end, of the boundary's vertices about where the recipe has it.
Ring rim_at(const std::vector<Vector3d>& boundary, const TubeTree::Tube& tube, double station_mm) {
  const Eigen::Isometry3d X = tube.path.pose(station_mm);
  std::vector<Eigen::Vector2d> points;
  double height = 0.0;
  for (const Vector3d& v : boundary) {
    const Vector3d p = X.inverse() * v;
    if (p.norm() > 1.3 * tube.radius.at(station_mm)) continue;
    points.emplace_back(p.head<2>());
    height += p.z();
  }
  const auto circle = circle_through(points);
  REQUIRE(circle);
  height /= static_cast<double>(points.size());
  return {X * Vector3d(circle->centre.x(), circle->centre.y(), height), circle->radius_mm, circle->spread_mm};
}

/// Where two lines come nearest to each other: the middle, and how far apart they are there.
std::pair<Vector3d, double> crossing(const Vector3d& p, const Vector3d& p2, const Vector3d& q,
                                     const Vector3d& q2) {
  const Vector3d u = (p2 - p).normalized();
  const Vector3d v = (q2 - q).normalized();
  const Vector3d w = p - q;
  const double uv = u.dot(v);
  const double s = (uv * v.dot(w) - u.dot(w)) / (1.0 - uv * uv);
  const double t = (v.dot(w) - uv * u.dot(w)) / (1.0 - uv * uv);
  const Vector3d a = p + s * u;
  const Vector3d b = q + t * v;
  return {(a + b) / 2.0, (a - b).norm()};
}

struct MeasuredTube {
  double diameter_mm = 0.0;
  double length_mm = 0.0;  ///< from where it branches off to where it branches, or to its rim
};

/// A tree in which every parent has two daughters at its end, measured on its mesh. A branching is where the
/// daughters' axes cross; an axis runs through a tube's roundest section and its far end.
std::vector<MeasuredTube> measured_airway(const ChannelRecipe& recipe, const TubeTree& tree,
                                          const TriangleMesh& mesh) {
  const auto boundary = boundary_vertices(mesh);
  const std::size_t n = recipe.tubes.size();
  std::vector<std::vector<std::size_t>> daughters(n);
  for (std::size_t i = 1; i < n; ++i)
    daughters[static_cast<std::size_t>(recipe.tubes[i].parent)].push_back(i);
  std::vector<Ring> rings(n);
  std::vector<Vector3d> ends(n);
  std::vector<MeasuredTube> measured(n);
  for (std::size_t i = n; i-- > 0;) {  // daughters stand below their parents
    CAPTURE(recipe.tubes[i].name);
    const auto& tube = tree.tubes()[i];
    const double length = tube.path.length_mm();
    rings[i] = roundest_ring(mesh, tube, 0.4 * length, (daughters[i].empty() ? 0.8 : 0.95) * length);
    CHECK(rings[i].spread_mm < 0.01 * rings[i].radius_mm);
    measured[i].diameter_mm = 2.0 * rings[i].radius_mm;
    if (daughters[i].empty()) {
      ends[i] = rim_at(boundary, tube, length).centre_S;
      continue;
    }
    REQUIRE(daughters[i].size() == 2);
    const std::size_t a = daughters[i][0];
    const std::size_t b = daughters[i][1];
    const auto [point, apart] = crossing(rings[a].centre_S, ends[a], rings[b].centre_S, ends[b]);
    CHECK(apart < 0.2);
    ends[i] = point;
  }
  for (std::size_t i = 0; i < n; ++i) {
    const Vector3d start = i == 0 ? rim_at(boundary, tree.tubes()[0], 0.0).centre_S
                                  : ends[static_cast<std::size_t>(recipe.tubes[i].parent)];
    measured[i].length_mm = (ends[i] - start).norm();
  }
  return measured;
}

/// Of the mesh's section square to a tube at a station, mm^2: the signed triangles between the middle and the
/// lines in which the plane cuts the mesh.
double section_mm2(const TriangleMesh& mesh, const TubeTree::Tube& tube, double station_mm) {
  const Eigen::Isometry3d X = tube.path.pose(station_mm).inverse();
  double twice = 0.0;
  for (const auto& t : mesh.triangles) {
    std::array<Vector3d, 3> p;
    for (std::size_t k = 0; k < 3; ++k) p[k] = X * mesh.vertices[static_cast<std::size_t>(t[k])];
    const auto above = [&](std::size_t k) { return p[k].z() >= 0.0; };
    if ((above(0) == above(1) && above(1) == above(2)) || p[0].norm() > 3.0 * tube.radius.at(station_mm))
      continue;
    Vector3d up = Vector3d::Zero();    // where the triangle's rim comes up through the plane
    Vector3d down = Vector3d::Zero();  // and where it goes down
    for (std::size_t k = 0; k < 3; ++k) {
      const std::size_t m = (k + 1) % 3;
      if (above(k) == above(m)) continue;
      const Vector3d cut = p[k] + (p[m] - p[k]) * (p[k].z() / (p[k].z() - p[m].z()));
      (above(m) ? up : down) = cut;
    }
    twice += down.x() * up.y() - down.y() * up.x();
  }
  return std::abs(twice) / 2.0;
}

/// Volume of the mesh between two sections, mm^3, from sections about `step_mm` apart.
double volume_mm3(const TriangleMesh& mesh, const TubeTree::Tube& tube, double from_mm, double to_mm,
                  double step_mm) {
  const int steps = static_cast<int>(std::ceil((to_mm - from_mm) / step_mm));
  const double step = (to_mm - from_mm) / steps;
  double sum = 0.0;
  for (int i = 0; i < steps; ++i) sum += step * section_mm2(mesh, tube, from_mm + (i + 0.5) * step);
  return sum;
}

/// The outer side of an arch of tubes whose middle line turns about the line along y through (middle_mm, y,
/// height_mm), on its mesh: circles fitted to the wall's inner half and sides, where no branch leaves.
struct Arch {
  const TriangleMesh& mesh;
  double middle_mm;
  double height_mm;

  double angle(const Vector3d& p) const { return std::atan2(p.z() - height_mm, middle_mm - p.x()); }
  double off(const Vector3d& p) const { return std::hypot(p.x() - middle_mm, p.z() - height_mm); }

  /// x of its centre: distance from the line.
  Circle section(double angle_rad) const {
    std::vector<Eigen::Vector2d> points;
    for (const Vector3d& v : mesh.vertices) {
      if (std::abs(angle(v) - angle_rad) * off(v) < 3.0 && off(v) < 36.0 + 4.0 && std::abs(v.y()) < 16.0)
        points.emplace_back(off(v), v.y());
    }
    const auto circle = circle_through(points);
    REQUIRE(circle);
    CHECK(circle->spread_mm < 0.15);
    return *circle;
  }

  double wall(double angle_rad) const {
    const Circle circle = section(angle_rad);
    return circle.centre.x() + circle.radius_mm;
  }

  /// Height of its top.
  double top() const {
    double best = 0.0;
    for (double a = 60.0; a <= 120.0; a += 0.5) {
      const double rad = a * std::numbers::pi / 180.0;
      best = std::max(best, height_mm + wall(rad) * std::sin(rad));
    }
    return best;
  }

  /// Where a line from outside meets the wall.
  Vector3d outlet(const Vector3d& from, const Vector3d& towards) const {
    double outside = 0.0;
    double inside = (towards - from).norm();
    const Vector3d axis = (towards - from) / inside;
    const auto is_inside = [&](double t) { return off(from + t * axis) < wall(angle(from + t * axis)); };
    while (!is_inside(inside)) inside += 1.0;
    while (inside - outside > 1e-3) {
      const double t = (inside + outside) / 2.0;
      (is_inside(t) ? inside : outside) = t;
    }
    return from + inside * axis;
  }
};

/// One of the shelf's three, `drop` diameters of the left common carotid artery from the top to the trunk.
void check_arch(const std::string& name, double drop) {
  CAPTURE(name);
  const ChannelRecipe recipe = recipe_of(name);
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const TriangleMesh mesh = mesh_of(recipe, 3.0);
  const auto boundary = boundary_vertices(mesh);
  const auto& aorta = tree->tubes()[0];
  CHECK(2.0 * rim_at(boundary, aorta, 0.0).radius_mm == Approx(23.9).epsilon(0.02));
  CHECK(2.0 * rim_at(boundary, aorta, aorta.path.length_mm()).radius_mm == Approx(29.5).epsilon(0.02));
  const Arch arch{mesh, 36.0, 100.0};
  struct Branch {
    const char* name;
    double diameter_mm, aorta_mm, next_mm;
  };
  double before = 0.0;
  for (const Branch& branch :
       {Branch{"left-subclavian", 10.41, 25.3, 0.0}, Branch{"left-carotid", 8.28, 27.1, 14.3},
        Branch{"brachiocephalic", 12.5, 28.6, 21.8}}) {
    CAPTURE(branch.name);
    const auto& tube = tree->tubes()[index_of(recipe, branch.name)];
    const Ring rim = rim_at(boundary, tube, tube.path.length_mm());
    const Ring ring = ring_at(mesh, tube, tube.path.length_mm() - 6.0, 2.0);
    CHECK(2.0 * ring.radius_mm == Approx(branch.diameter_mm).epsilon(0.02));
    const Vector3d outlet = arch.outlet(rim.centre_S, ring.centre_S);
    const Circle section = arch.section(arch.angle(outlet));
    CHECK(2.0 * section.radius_mm == Approx(branch.aorta_mm).epsilon(0.02));
    const double along = section.centre.x() * arch.angle(outlet);
    if (branch.next_mm > 0.0) CHECK(along - before == Approx(branch.next_mm).epsilon(0.02));
    before = along;
    if (branch.next_mm == 21.8) CHECK((arch.top() - outlet.z()) / 8.28 == Approx(drop).epsilon(0.02));
  }
}

}  // namespace

TEST_CASE("the regular airway has the diameters and lengths of the published table within 2 %") {
  const ChannelRecipe recipe = recipe_of("airway-regular");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const auto measured = measured_airway(recipe, *tree, mesh_of(recipe, 1.6));
  const double diameter[] = {18.0, 12.2, 8.3, 5.6, 4.5};
  const double length[] = {120.0, 47.6, 19.0, 7.6, 12.7};
  std::map<std::size_t, int> count;
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i) {
    const std::size_t g = recipe.tubes[i].parent < 0 ? 0 : recipe.tubes[i].name.size();
    REQUIRE(g <= 4);
    ++count[g];
    CAPTURE(recipe.tubes[i].name);
    CHECK(measured[i].length_mm == Approx(length[g]).epsilon(0.02));
    CHECK(measured[i].diameter_mm == Approx(diameter[g]).epsilon(0.02));
  }
  for (const auto& [g, n] : count) CHECK(n == 1 << g);
}

TEST_CASE("the airway by orders has every tube of the published list within 2 %") {
  // Orders 21 to 35: diameter and length in cm, delta.
  struct Order {
    double diameter_cm, length_cm;
    int delta;
  };
  const std::map<int, Order> list = {
      {35, {2.0, 12.5, 1}},      {34, {1.5, 6.25, 2}},      {33, {1.375, 2.75, 3}},
      {32, {1.0, 1.375, 3}},     {31, {0.9125, 1.3125, 3}}, {30, {0.7375, 1.4125, 3}},
      {29, {0.7375, 1.4125, 3}}, {28, {0.675, 1.2125, 3}},  {27, {0.5375, 1.35, 3}},
      {26, {0.4375, 1.075, 3}},  {25, {0.4375, 1.1875, 3}}, {24, {0.3875, 1.2375, 3}},
      {23, {0.3625, 1.0, 3}},    {21, {0.3375, 1.025, 3}}};
  const ChannelRecipe recipe = recipe_of("airway-asymmetric");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  CHECK(recipe.tubes.size() == 31);
  const auto measured = measured_airway(recipe, *tree, mesh_of(recipe, 1.6));
  std::map<std::string, int> order;
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i) {
    const auto& tube = recipe.tubes[i];
    CAPTURE(tube.name);
    int n = 35;
    if (tube.parent >= 0) {
      const std::string& parent = recipe.tubes[static_cast<std::size_t>(tube.parent)].name;
      CHECK((parent == "trachea" ? std::string() : parent) == tube.name.substr(0, tube.name.size() - 1));
      n = order.at(parent) - 1 - (tube.name.back() == 'b' ? list.at(order.at(parent)).delta : 0);
    }
    order[tube.name] = n;
    REQUIRE(list.contains(n));
    CHECK(measured[i].length_mm == Approx(10.0 * list.at(n).length_cm).epsilon(0.02));
    CHECK(measured[i].diameter_mm == Approx(10.0 * list.at(n).diameter_cm).epsilon(0.02));
  }
}

TEST_CASE("the colon of the shelf has the volumes, lengths and widths that its sources give within 2 %") {
  const ChannelRecipe recipe = recipe_of("colon-flexures");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  const auto& colon = tree->tubes()[0];
  const double splenic = 220.0 + 40.0;  // the middles of the two flexures
  const double hepatic = splenic + 400.0;
  // Lengths: the middles of 220 to 300 and of 120 to 200 mm, and 400 mm.
  CHECK(splenic == Approx(0.5 * (220.0 + 300.0)).epsilon(0.02));
  CHECK(hepatic - splenic == Approx(400.0).epsilon(0.02));
  CHECK(colon.path.length_mm() - hepatic == Approx(0.5 * (120.0 + 200.0)).epsilon(0.02));
  // Widths on the mesh: those of tubes of these lengths and volumes.
  const auto tube_width = [](double volume_ml, double length_mm) {
    return 2.0 * std::sqrt(1e3 * volume_ml / (std::numbers::pi * length_mm));
  };
  CHECK(2.0 * ring_at(made->mesh_S, colon, 100.0, 2.0).radius_mm ==
        Approx(tube_width(160.0, 260.0)).epsilon(0.02));
  CHECK(2.0 * ring_at(made->mesh_S, colon, 760.0, 2.0).radius_mm ==
        Approx(tube_width(203.0, 160.0)).epsilon(0.02));
  const auto volume_ml = [&](double from, double to) {
    return 1e-3 * volume_mm3(made->mesh_S, colon, from, to, 2.0);
  };
  CHECK(volume_ml(0.0, splenic) == Approx(160.0).epsilon(0.02));
  CHECK(volume_ml(splenic, hepatic) == Approx(198.0).epsilon(0.02));
  CHECK(volume_ml(hepatic, colon.path.length_mm()) == Approx(203.0).epsilon(0.02));
  // The flexures are where they are said to be: the tube turns there and nowhere else.
  const auto turn_deg = [&](double from, double to) {
    const Eigen::Vector3d a = colon.path.pose(from).linear().col(2);
    const Eigen::Vector3d b = colon.path.pose(to).linear().col(2);
    return std::acos(std::clamp(a.dot(b), -1.0, 1.0)) * 180.0 / std::numbers::pi;
  };
  CHECK(turn_deg(splenic - 40.0, splenic + 40.0) == Approx(130.0).epsilon(0.02));
  CHECK(turn_deg(hepatic - 40.0, hepatic + 40.0) == Approx(120.0).epsilon(0.02));
  CHECK(turn_deg(0.0, splenic - 40.0) == Approx(0.0).margin(1e-6));
}

TEST_CASE("the arches of the shelf have the widths, distances and drops that their READMEs give within 2 %") {
  check_arch("aortic-arch-i", 0.5);
  check_arch("aortic-arch-ii", 1.5);
  check_arch("aortic-arch-iii", 2.5);
}

TEST_CASE("each part of the shelf's nasal passage has the mean section of the published table within 2 %") {
  const ChannelRecipe recipe = recipe_of("nasal-passage");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const TriangleMesh mesh = mesh_of(recipe, recipe.edge_length_mm);
  const auto& nose = tree->tubes()[0];
  const double area_cm2[] = {0.65, 1.2, 1.15, 1.3, 1.5, 3.9, 2.9};
  const double part_mm[] = {9, 18, 13, 44, 6, 20, 30};
  double station = 0.0;
  for (std::size_t i = 0; i < 7; ++i) {
    CAPTURE(i);
    const double mean_mm2 = volume_mm3(mesh, nose, station, station + part_mm[i], 0.5) / part_mm[i];
    CHECK(0.01 * mean_mm2 == Approx(area_cm2[i]).epsilon(0.02));
    station += part_mm[i];
  }
  CHECK(nose.path.length_mm() == Approx(station));
  const auto boundary = boundary_vertices(mesh);
  CHECK((rim_at(boundary, nose, station).centre_S - nose.path.pose(station).translation()).norm() < 0.1);
}

TEST_CASE("the shelf's kidney has the angle, widths and length that its sources give within 2 %") {
  const ChannelRecipe recipe = recipe_of("renal-pelvis");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const TriangleMesh mesh = mesh_of(recipe, recipe.edge_length_mm);
  const auto& ureter = tree->tubes()[0];
  const auto& lower = tree->tubes()[index_of(recipe, "lower")];
  const Ring in = ring_at(mesh, ureter, 10.0, 0.8);
  const Ring up = ring_at(mesh, ureter, 30.0, 0.8);
  CHECK(2.0 * in.radius_mm == Approx(5.0).epsilon(0.02));
  const Ring near = ring_at(mesh, lower, 16.0, 0.8);
  const Ring far = ring_at(mesh, lower, 26.0, 0.8);
  CHECK(2.0 * near.radius_mm == Approx(7.5).epsilon(0.02));
  const Vector3d main = (up.centre_S - in.centre_S).normalized();
  const Vector3d axis = (far.centre_S - near.centre_S).normalized();
  CHECK(180.0 - std::acos(axis.dot(main)) * 180.0 / std::numbers::pi == Approx(75.79).epsilon(0.02));
  // The pelvis's wall, from the half that the lower infundibulum does not leave.
  const auto from_main = [&](const Vector3d& p) { return main.cross(p - in.centre_S).norm(); };
  const auto pelvis_mm = [&](const Vector3d& p) {
    const double station = 10.0 + main.dot(p - in.centre_S);
    const auto ring = ring_of(mesh, ureter, station, 0.8, [](const Vector3d& q) { return q.x() < 0.0; });
    REQUIRE(ring);
    return ring->radius_mm;
  };
  Vector3d wall = near.centre_S;
  while (from_main(wall) > pelvis_mm(wall)) wall -= 0.02 * axis;
  // Where the calyx begins to widen.
  double calyx = 1e9;
  for (const Vector3d& v : mesh.vertices) {
    const double along = axis.dot(v - wall);
    const double off = axis.cross(v - wall).norm();
    if (along > 5.0 && off > 1.005 * near.radius_mm && off < 1.7 * near.radius_mm)
      calyx = std::min(calyx, along);
  }
  CHECK(calyx == Approx(22.0).epsilon(0.02));
}
