// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/manifold.h"

#include <array>
#include <cmath>
#include <cstddef>
#include <random>
#include <vector>

#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <catch2/catch.hpp>

#include "geometry/mesh/self_crossing.h"
#include "tests/geometry/mesh/mesh_shapes.h"

namespace withy {
namespace {

using Eigen::Vector3d;

TriangleMesh fan(std::vector<std::array<int, 3>> triangles, std::size_t vertices) {
  TriangleMesh mesh;
  mesh.triangles = std::move(triangles);
  for (std::size_t i = 0; i < vertices; ++i)
    mesh.vertices.emplace_back(static_cast<double>(i), static_cast<double>(i * i), 0.5);
  return mesh;
}

TriangleMesh torus(double ring_mm, double tube_mm, int around, int about) {
  TriangleMesh mesh;
  for (int i = 0; i < around; ++i)
    for (int j = 0; j < about; ++j) {
      const double a = 2.0 * EIGEN_PI * i / around;
      const double b = 2.0 * EIGEN_PI * j / about;
      const double r = ring_mm + tube_mm * std::cos(b);
      mesh.vertices.emplace_back(r * std::cos(a), r * std::sin(a), tube_mm * std::sin(b));
      const auto at = [&](int k, int l) { return (k % around) * about + l % about; };
      mesh.triangles.push_back({at(i, j), at(i + 1, j), at(i + 1, j + 1)});
      mesh.triangles.push_back({at(i, j), at(i + 1, j + 1), at(i, j + 1)});
    }
  return mesh;
}

TEST_CASE("A mesh that is an oriented manifold is told by its edges and fans, borders counted") {
  TriangleMesh ball = shapes::sphere(2.0, Vector3d::Zero(), 3);
  CHECK(manifold_borders(ball) == std::size_t{0});
  ball.vertices.emplace_back(9.0, 9.0, 9.0);  // of no face
  CHECK(manifold_borders(ball) == std::size_t{0});
  TriangleMesh open = ball;
  open.triangles.pop_back();
  CHECK(manifold_borders(open) == std::size_t{3});
  // Each fault by itself.
  TriangleMesh turned = ball;
  std::swap(turned.triangles.front()[0], turned.triangles.front()[1]);
  CHECK_FALSE(manifold_borders(turned));
  TriangleMesh twice = open;
  twice.triangles.push_back(twice.triangles.front());
  CHECK_FALSE(manifold_borders(twice));
  TriangleMesh apart = ball;
  const auto first = apart.triangles.front();
  apart.vertices.push_back(apart.vertices[static_cast<std::size_t>(first[0])]);
  CHECK_FALSE(manifold_borders(apart));
  CHECK_FALSE(manifold_borders(fan({{0, 1, 2}, {2, 1, 0}}, 3)));             // back to back
  CHECK_FALSE(manifold_borders(fan({{0, 1, 2}, {1, 0, 3}, {0, 1, 4}}, 5)));  // three at an edge
  CHECK_FALSE(manifold_borders(fan({{0, 1, 2}, {0, 3, 4}}, 5)));             // touch in a point
  CHECK_FALSE(manifold_borders(fan({{0, 1, 1}}, 2)));
  CHECK_FALSE(manifold_borders(fan({{0, 1, 3}}, 3)));
  CHECK_FALSE(manifold_borders(TriangleMesh{}));
}

TEST_CASE("A soup is a manifold where CGAL says so") {
  // Of few vertices, so that edges meet by chance; seeded.
  std::mt19937 random(20240607);
  std::array<int, 2> seen{};
  for (int n = 0; n < 20000; ++n) {
    const int vertices = 4 + n % 4;
    std::vector<std::array<int, 3>> triangles;
    for (int t = 0; t < 1 + n % 6; ++t) {
      std::array<int, 3> corners{};
      do {
        for (int& c : corners) c = static_cast<int>(random() % static_cast<unsigned>(vertices));
      } while (corners[0] == corners[1] || corners[1] == corners[2] || corners[2] == corners[0]);
      triangles.push_back(corners);
    }
    std::vector<std::vector<std::size_t>> soup;
    bool back_to_back = false;  // CGAL lets those pass
    for (const auto& t : triangles) {
      soup.push_back(
          {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
      for (const auto& u : triangles)
        for (std::size_t k = 0; k < 3; ++k)
          back_to_back = back_to_back || (t[0] == u[k] && t[1] == u[(k + 2) % 3] && t[2] == u[(k + 1) % 3]);
    }
    const bool expected =
        CGAL::Polygon_mesh_processing::is_polygon_soup_a_polygon_mesh(soup) && !back_to_back;
    ++seen[expected ? 1 : 0];
    CAPTURE(n);
    REQUIRE(manifold_borders(fan(triangles, static_cast<std::size_t>(vertices))).has_value() == expected);
  }
  CHECK(seen[0] > 1000);
  CHECK(seen[1] > 1000);
}

TEST_CASE("Crossings are found in whichever slab they lie, and across slabs") {
  // 2 * 400 * 200 faces, which are looked at in two slabs.
  const TriangleMesh ring = torus(30.0, 8.0, 400, 200);
  REQUIRE(manifold_borders(ring) == std::size_t{0});
  CHECK_FALSE(crosses_itself(ring));
  for (const Vector3d& toward :
       {Vector3d(1, 0, 0), Vector3d(-1, 0, 0), Vector3d(0, 1, 0), Vector3d(0.01, 0, 1)}) {
    TriangleMesh pulled = ring;
    std::size_t at = 0;
    for (std::size_t v = 1; v < pulled.vertices.size(); ++v)
      if (pulled.vertices[v].dot(toward) > pulled.vertices[at].dot(toward)) at = v;
    pulled.vertices[at] *= -1.02;  // through the ring and out on its other side
    CAPTURE(toward.transpose());
    CHECK(crosses_itself(pulled));
  }
}

}  // namespace
}  // namespace withy
