// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/wall_distance.h"

#include <cmath>
#include <random>
#include <thread>

#include <catch2/catch.hpp>
#include <fcl/fcl.h>

#include "geometry/numbers/numbers.h"
#include "tests/geometry/mesh/mesh_shapes.h"

namespace withy {
namespace {

using Catch::Matchers::WithinAbs;
using Eigen::Vector3d;

constexpr double kPi = EIGEN_PI;

std::shared_ptr<const Channel> channel_of(const TriangleMesh& mesh, double opening_radius_mm,
                                          Outlets outlets) {
  Entry entry;
  entry.opening_radius_mm = opening_radius_mm;
  auto channel = make_channel(mesh, entry, outlets);
  REQUIRE(channel);
  return std::make_shared<const Channel>(std::move(*channel));
}

/// A closed surface that is wall all over.
std::shared_ptr<const Channel> all_wall(TriangleMesh mesh) {
  auto channel = std::make_shared<Channel>();
  channel->role.assign(mesh.triangles.size(), FaceRole::wall);
  channel->mesh_E = std::move(mesh);
  channel->entry.opening_radius_mm = 1.0;
  return channel;
}

/// Points spread evenly over a box.
class Scatter {
 public:
  Scatter(unsigned seed, const Vector3d& low, const Vector3d& high) : random_(seed), low_(low), high_(high) {}
  Vector3d operator()() {
    std::uniform_real_distribution<double> share(0.0, 1.0);
    Vector3d t;
    for (double& x : t) x = share(random_);
    return low_ + t.cwiseProduct(high_ - low_);
  }

 private:
  std::mt19937 random_;
  Vector3d low_, high_;
};

/// The closest point of a triangle by the regions of its plane: C. Ericson, "Real-Time Collision Detection",
/// 2005, section 5.1.5.
Vector3d closest_point(const Vector3d& p, const Vector3d& a, const Vector3d& b, const Vector3d& c) {
  const Vector3d ab = b - a, ac = c - a, ap = p - a;
  const double d1 = ab.dot(ap), d2 = ac.dot(ap);
  if (d1 <= 0 && d2 <= 0) return a;
  const Vector3d bp = p - b;
  const double d3 = ab.dot(bp), d4 = ac.dot(bp);
  if (d3 >= 0 && d4 <= d3) return b;
  const double vc = d1 * d4 - d3 * d2;
  if (vc <= 0 && d1 >= 0 && d3 <= 0) return a + d1 / (d1 - d3) * ab;
  const Vector3d cp = p - c;
  const double d5 = ab.dot(cp), d6 = ac.dot(cp);
  if (d6 >= 0 && d5 <= d6) return c;
  const double vb = d5 * d2 - d1 * d6;
  if (vb <= 0 && d2 >= 0 && d6 <= 0) return a + d2 / (d2 - d6) * ac;
  const double va = d3 * d6 - d5 * d4;
  if (va <= 0 && d4 - d3 >= 0 && d5 - d6 >= 0) return b + (d4 - d3) / ((d4 - d3) + (d5 - d6)) * (c - b);
  const double sum = va + vb + vc;
  return a + vb / sum * ab + vc / sum * ac;
}

double brute_distance(const shapes::Triangles& triangles, const Vector3d& p) {
  double best = kInfinity;
  for (const auto& [a, b, c] : triangles) best = std::min(best, (closest_point(p, a, b, c) - p).norm());
  return best;
}

/// Winding number from the triangles' solid angles: A. Van Oosterom and J. Strackee, "The Solid Angle of a
/// Plane Triangle", IEEE Trans. Biomedical Engineering 30(2), 1983, equation 8.
bool brute_inside(const shapes::Triangles& triangles, const Vector3d& p) {
  double angle = 0.0;
  for (const auto& t : triangles) {
    const Vector3d a = t[0] - p, b = t[1] - p, c = t[2] - p;
    const double la = a.norm(), lb = b.norm(), lc = c.norm();
    angle +=
        2.0 * std::atan2(a.dot(b.cross(c)), la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb);
  }
  return std::abs(angle) > 2.0 * kPi;
}

// ---- Closed forms
// ---------------------------------------------------------------------------------------------------

TEST_CASE("In a block open at the entry the signed distance is that to the nearest of five sides") {
  for (const bool near_end : {false, true}) {
    const WallDistance wall(channel_of(shapes::block(2.0, 0.0, 10.0, near_end), 3.0, Outlets::closed));
    const auto seed = Catch::rngSeed();
    CAPTURE(seed, near_end);
    Scatter scatter(seed, {-4.0, -4.0, 0.001}, {4.0, 4.0, 14.0});
    for (int trial = 0; trial < 10000; ++trial) {
      const Vector3d p = scatter();
      // Signed distance of a box from the excess over its half sizes; before the plane z = 0 the missing side
      // is never the nearest from outside, and inside it does not count.
      const Vector3d excess(std::abs(p.x()) - 2.0, std::abs(p.y()) - 2.0, p.z() - 10.0);
      const double outside = excess.cwiseMax(0.0).norm();
      const double expected = outside > 0.0 ? -outside : -excess.maxCoeff();
      const double got = wall.signed_distance(p);
      if (std::abs(got - expected) > 1e-12)
        FAIL("at " << p.transpose() << ": " << got << ", not " << expected);
    }
  }
}

TEST_CASE("With an open outlet the far end is no wall, and the outlet's distance is that to the far end") {
  const TriangleMesh mesh = shapes::block(2.0, 0.0, 10.0, false, false);
  const WallDistance open(channel_of(mesh, 3.0, Outlets::open));
  const WallDistance closed(channel_of(mesh, 3.0, Outlets::closed));
  CHECK(open.has_open_outlet());
  CHECK_FALSE(closed.has_open_outlet());
  CHECK(closed.outlet_distance({0.0, 0.0, 5.0}) == kInfinity);
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  Scatter scatter(seed, {-2.0, -2.0, 0.001}, {2.0, 2.0, 10.0});
  for (int trial = 0; trial < 5000; ++trial) {
    const Vector3d p = scatter();
    const double side = 2.0 - p.head<2>().cwiseAbs().maxCoeff(), end = 10.0 - p.z();
    if (std::abs(open.signed_distance(p) - side) > 1e-12) FAIL("open, at " << p.transpose());
    if (std::abs(open.outlet_distance(p) - end) > 1e-12) FAIL("outlet, at " << p.transpose());
    if (std::abs(closed.signed_distance(p) - std::min(side, end)) > 1e-12)
      FAIL("closed, at " << p.transpose());
  }
  // Past the open end a point is out of the lumen again.
  CHECK_FALSE(open.inside({0.0, 0.0, 10.001}));
}

TEST_CASE(
    "In a sphere of facets the signed distance keeps between the inscribed and the circumscribed sphere's") {
  const double R = 7.0;
  const Vector3d centre(1.0, -2.0, 30.0);
  const TriangleMesh mesh = shapes::sphere(R, centre, 4);
  // The facets lie between the sphere through their corners and the one that the farthest facet plane
  // touches.
  double r_in = R;
  for (const auto& [a, b, c] : shapes::corners(mesh)) {
    const Vector3d n = (b - a).cross(c - a).normalized();
    r_in = std::min(r_in, n.dot(a - centre));
  }
  REQUIRE(R - r_in < 0.05);
  const WallDistance wall(all_wall(mesh));
  const auto seed = Catch::rngSeed();
  CAPTURE(seed, r_in);
  Scatter scatter(seed, centre - Vector3d::Constant(9.0), centre + Vector3d::Constant(9.0));
  for (int trial = 0; trial < 10000; ++trial) {
    const Vector3d p = scatter();
    const double rho = (p - centre).norm(), got = wall.signed_distance(p);
    if (got < r_in - rho - 1e-12 || got > R - rho + 1e-12) FAIL("at " << p.transpose() << ": " << got);
  }
}

TEST_CASE(
    "In a tube of facets the signed distance keeps between the inscribed and the circumscribed cylinder's") {
  const double R = 5.0;
  const int sides = 48;
  const double r_in = R * std::cos(kPi / sides);
  const WallDistance wall(
      channel_of(shapes::prism(shapes::circle(R, sides), 60.0, 30, false, true), 5.5, Outlets::closed));
  const auto seed = Catch::rngSeed();
  CAPTURE(seed, r_in);
  // Farther than R from either end, so that the side is the nearest wall from inside.
  Scatter scatter(seed, {-7.0, -7.0, 8.0}, {7.0, 7.0, 52.0});
  for (int trial = 0; trial < 10000; ++trial) {
    const Vector3d p = scatter();
    const double rho = p.head<2>().norm(), got = wall.signed_distance(p);
    if (got < r_in - rho - 1e-12 || got > R - rho + 1e-12) FAIL("at " << p.transpose() << ": " << got);
  }
}

// ---- Brute force and another library
// --------------------------------------------------------------------------------

/// A lumpy closed surface: a sphere whose vertices are pushed in and out.
TriangleMesh lumpy(unsigned seed, int times) {
  TriangleMesh mesh = shapes::sphere(10.0, Vector3d::Zero(), times);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> stretch(0.6, 1.3);
  for (auto& v : mesh.vertices) v *= stretch(random);
  return mesh;
}

TEST_CASE("Distance and side agree with going through all triangles") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  for (unsigned shape = 0; shape < 5; ++shape) {
    const TriangleMesh mesh = lumpy(seed + shape, 3);
    const auto triangles = shapes::corners(mesh);
    const WallDistance wall(all_wall(mesh));
    Scatter scatter(seed + shape, Vector3d::Constant(-14.0), Vector3d::Constant(14.0));
    for (int trial = 0; trial < 2000; ++trial) {
      const Vector3d p = scatter();
      const double expected = brute_distance(triangles, p);
      const auto nearest = wall.nearest(p);
      if (std::abs(nearest.distance_mm - expected) > 1e-11) FAIL("distance at " << p.transpose());
      const auto& t = triangles[static_cast<std::size_t>(nearest.face)];
      if ((closest_point(nearest.point_E, t[0], t[1], t[2]) - nearest.point_E).norm() > 1e-11) {
        FAIL("the nearest point is not on its face at " << p.transpose());
      }
      if (expected > 1e-6 && wall.inside(p) != brute_inside(triangles, p)) FAIL("side at " << p.transpose());
    }
  }
}

TEST_CASE("Only faces of the wall count, whichever they are") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  std::mt19937 random(seed);
  auto channel = std::make_shared<Channel>();
  channel->mesh_E = lumpy(seed, 3);
  channel->entry.opening_radius_mm = 1.0;
  shapes::Triangles walls, outlets;
  for (const auto& t : shapes::corners(channel->mesh_E)) {
    const auto role = static_cast<FaceRole>(random() % 3);
    channel->role.push_back(role);
    if (role == FaceRole::wall) walls.push_back(t);
    if (role == FaceRole::open_outlet) outlets.push_back(t);
  }
  const WallDistance wall(channel);
  Scatter scatter(seed, Vector3d::Constant(-14.0), Vector3d::Constant(14.0));
  for (int trial = 0; trial < 3000; ++trial) {
    const Vector3d p = scatter();
    const auto nearest = wall.nearest(p);
    if (channel->role[static_cast<std::size_t>(nearest.face)] != FaceRole::wall)
      FAIL("the nearest face is no wall");
    if (std::abs(nearest.distance_mm - brute_distance(walls, p)) > 1e-11) FAIL("wall at " << p.transpose());
    if (std::abs(wall.outlet_distance(p) - brute_distance(outlets, p)) > 1e-11)
      FAIL("outlet at " << p.transpose());
  }
}

TEST_CASE("Triangles as thin as one in ten million do not spoil the distance") {
  // A tube of slivers: two sides of the prism are 1e-6 mm wide, its bands 10 mm long.
  std::vector<Eigen::Vector2d> outline = shapes::circle(5.0, 12);
  for (const std::size_t at : {3, 9}) {
    const Eigen::Vector2d along = (outline[at + 1] - outline[at]).normalized();
    outline.insert(outline.begin() + static_cast<std::ptrdiff_t>(at) + 1, outline[at] + 1e-6 * along);
  }
  const auto channel = channel_of(shapes::prism(outline, 60.0, 6, false, true), 5.5, Outlets::closed);
  shapes::Triangles walls;
  const auto all = shapes::corners(channel->mesh_E);
  for (std::size_t f = 0; f < all.size(); ++f) {
    if (channel->role[f] == FaceRole::wall) walls.push_back(all[f]);
  }
  const WallDistance wall(channel);
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  Scatter scatter(seed, {-6.0, -6.0, 0.5}, {6.0, 6.0, 59.0});
  for (int trial = 0; trial < 5000; ++trial) {
    const Vector3d p = scatter();
    if (std::abs(wall.distance(p) - brute_distance(walls, p)) > 1e-9) FAIL("at " << p.transpose());
  }
}

TEST_CASE("Distances agree with FCL's on the same mesh") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  const TriangleMesh mesh = lumpy(seed, 3);
  const auto model = std::make_shared<fcl::BVHModel<fcl::OBBRSSd>>();
  model->beginModel();
  for (const auto& [a, b, c] : shapes::corners(mesh)) model->addTriangle(a, b, c);
  model->endModel();
  const fcl::CollisionObjectd body(model);
  // FCL measures between solids, so the point is a small ball; its iterations stop within 1e-6.
  const double ball_mm = 1e-3;
  const auto ball = std::make_shared<fcl::Sphered>(ball_mm);
  const WallDistance wall(all_wall(mesh));
  Scatter scatter(seed, Vector3d::Constant(-14.0), Vector3d::Constant(14.0));
  for (int trial = 0; trial < 1000; ++trial) {
    const Vector3d p = scatter();
    if (wall.distance(p) < 0.05) continue;  // FCL's distance is of no use in contact
    const fcl::CollisionObjectd probe(ball, Eigen::Matrix3d::Identity(), p);
    fcl::DistanceRequestd request(true);
    request.distance_tolerance = 1e-9;
    fcl::DistanceResultd result;
    fcl::distance(&body, &probe, request, result);
    const double theirs = result.min_distance + ball_mm;
    if (std::abs(wall.distance(p) - theirs) > 1e-5) {
      FAIL("at " << p.transpose() << ": " << wall.distance(p) << ", FCL " << theirs);
    }
  }
}

// ---- Sign
// -----------------------------------------------------------------------------------------------------------

TEST_CASE("A point on the solid's surface counts as inside") {
  const WallDistance wall(channel_of(shapes::block(2.0, 0.0, 10.0), 3.0, Outlets::closed));
  for (const Vector3d& p : {Vector3d(2.0, 0.5, 5.0), Vector3d(2.0, 2.0, 5.0), Vector3d(2.0, 2.0, 10.0),
                            Vector3d(0.25, 0.5, 10.0), Vector3d(0.0, 0.0, 0.0), Vector3d(1.0, 1.0, 0.0)}) {
    CAPTURE(p.transpose());
    CHECK(wall.inside(p));
  }
  CHECK(wall.signed_distance({2.0, 0.5, 5.0}) == 0.0);
  CHECK_FALSE(wall.inside({std::nextafter(2.0, 3.0), 0.5, 5.0}));
}

TEST_CASE(
    "At a flush opening a point within a ten-thousandth of the plane has the sign of the one just past it") {
  // The opening's own height is off by as much as single precision may put it, either way.
  for (const double z0_mm : {-0.9e-4, -1e-6, 0.0, 1e-6, 0.9e-4}) {
    for (const bool near_end : {false, true}) {
      CAPTURE(z0_mm, near_end);
      const WallDistance wall(channel_of(shapes::block(2.0, z0_mm, 10.0, near_end), 3.0, Outlets::closed));
      for (const double x : {0.0, 1.0, 1.99, 2.01, 2.5}) {
        for (const double z : {-1e-4, -0.5e-4, -1e-9, 0.0, 1e-9, 0.5e-4, 1e-4, 2e-4}) {
          CAPTURE(x, z);
          CHECK(wall.inside({x, 0.3, z}) == (x < 2.0));
        }
        CHECK_FALSE(wall.inside({x, 0.3, -2e-4}));
      }
    }
  }
}

TEST_CASE("Where the opening lies behind the plane the sign on the plane needs no help") {
  const WallDistance wall(channel_of(shapes::block(2.0, -0.2, 10.0, false), 3.0, Outlets::closed));
  CHECK(wall.inside({0.0, 0.0, 0.0}));
  CHECK(wall.inside({0.0, 0.0, -0.1999}));
  CHECK_FALSE(wall.inside({0.0, 0.0, -0.2001}));
}

TEST_CASE("Beyond the opening radius the sign near the entry plane is the solid's own") {
  // A narrow opening in a wide floor that lies in the entry plane, as where a channel comes back to that
  // plane.
  const auto channel = std::make_shared<Channel>(*all_wall(shapes::block(2.0, 0.0, 10.0)));
  channel->entry.opening_radius_mm = 0.5;
  channel->openings.emplace_back().is_entry = true;
  const WallDistance wall(channel);
  CHECK(wall.inside({0.3, 0.0, -0.5e-4}));
  CHECK_FALSE(wall.inside({1.5, 0.0, -0.5e-4}));
}

// ---- Use
// ------------------------------------------------------------------------------------------------------------

TEST_CASE("Several threads may ask at once") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  const WallDistance wall(all_wall(lumpy(seed, 3)));
  std::vector<Vector3d> points;
  Scatter scatter(seed, Vector3d::Constant(-14.0), Vector3d::Constant(14.0));
  for (int i = 0; i < 2000; ++i) points.push_back(scatter());
  std::vector<std::vector<double>> answers(4);
  {
    std::vector<std::thread> threads;
    for (auto& answer : answers) {
      threads.emplace_back([&] {
        for (const auto& p : points) answer.push_back(wall.signed_distance(p));
      });
    }
    for (auto& thread : threads) thread.join();
  }
  for (const auto& answer : answers) {
    REQUIRE(answer.size() == points.size());
    for (std::size_t i = 0; i < points.size(); ++i) {
      if (answer[i] != wall.signed_distance(points[i])) FAIL("point " << i);
    }
  }
}

TEST_CASE("A wall distance may be moved and keeps its channel") {
  const auto channel = channel_of(shapes::block(2.0, 0.0, 10.0), 3.0, Outlets::closed);
  WallDistance first(channel);
  WallDistance second(std::move(first));
  CHECK(second.channel_pointer() == channel);
  CHECK(&second.channel() == channel.get());
  WallDistance third(channel_of(shapes::block(3.0, 0.0, 10.0), 5.0, Outlets::closed));
  third = std::move(second);
  CHECK_THAT(third.signed_distance({0.0, 0.0, 5.0}), WithinAbs(2.0, 1e-12));
}

}  // namespace
}  // namespace withy
