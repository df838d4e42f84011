// SPDX-License-Identifier: GPL-3.0-or-later
// Handles and volume of mended walls against CGAL's measures of the same triangles: PMP::volume, and the
// genus by the counts of its halfedge surface, 2 - 2 g - b = V - E + F.
#include <array>
#include <cmath>
#include <iterator>
#include <numbers>
#include <vector>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/measure.h>
#include <CGAL/Surface_mesh.h>
#include <catch2/catch.hpp>

#include "geometry/mesh/mesh_checks.h"
#include "geometry/repair/pieces.h"
#include "geometry/repair/repair.h"
#include "tests/geometry/mesh/mesh_shapes.h"

namespace {

using Eigen::Vector3d;
using namespace withy;
namespace PMP = CGAL::Polygon_mesh_processing;
using MeasuredSurface = CGAL::Surface_mesh<CGAL::Exact_predicates_inexact_constructions_kernel::Point_3>;

MeasuredSurface by_cgal(const TriangleMesh& mesh) {
  MeasuredSurface surface;
  std::vector<MeasuredSurface::Vertex_index> vertex;
  for (const Vector3d& v : mesh.vertices) vertex.push_back(surface.add_vertex({v.x(), v.y(), v.z()}));
  for (const auto& t : mesh.triangles)
    surface.add_face(vertex[static_cast<std::size_t>(t[0])], vertex[static_cast<std::size_t>(t[1])],
                     vertex[static_cast<std::size_t>(t[2])]);
  for (const auto v : vertex)
    if (surface.is_isolated(v)) surface.remove_vertex(v);
  surface.collect_garbage();
  return surface;
}

int genus_by_cgal(const MeasuredSurface& surface) {
  std::vector<MeasuredSurface::Halfedge_index> borders;
  PMP::extract_boundary_cycles(surface, std::back_inserter(borders));
  const int euler = static_cast<int>(surface.num_vertices()) - static_cast<int>(surface.num_edges()) +
                    static_cast<int>(surface.num_faces());
  return (2 - euler - static_cast<int>(borders.size())) / 2;
}

/// A tube of radius 4 about a circle of radius 20.
TriangleMesh torus(int n, int m) {
  TriangleMesh ring;
  for (int i = 0; i < n; ++i)
    for (int k = 0; k < m; ++k) {
      const double a = 2.0 * std::numbers::pi * i / n;
      const double b = 2.0 * std::numbers::pi * k / m;
      const double r = 20.0 + 4.0 * std::cos(b);
      ring.vertices.emplace_back(r * std::cos(a), r * std::sin(a), 4.0 * std::sin(b));
      const auto id = [&](int x, int y) { return (x % n) * m + y % m; };
      ring.triangles.push_back({id(i, k), id(i + 1, k), id(i + 1, k + 1)});
      ring.triangles.push_back({id(i, k), id(i + 1, k + 1), id(i, k + 1)});
    }
  return ring;
}

}  // namespace

TEST_CASE("handles and volume are those that CGAL measures") {
  const std::array<TriangleMesh, 2> closed = {torus(60, 20),
                                              shapes::sphere(10.0, Vector3d(1.0, 2.0, 3.0), 4)};
  const std::array<int, 2> genus = {1, 0};
  for (std::size_t k = 0; k < closed.size(); ++k) {
    CAPTURE(k);
    const auto mended = repair_lumen(closed[k], {});
    REQUIRE(mended);
    CHECK(mended->handles == genus[k]);
    CHECK(mended->handles == genus_by_cgal(by_cgal(mended->wall)));
    const double volume = CGAL::to_double(PMP::volume(by_cgal(mended->wall)));
    CHECK(enclosed_volume(mended->wall) == Approx(volume).epsilon(1e-9));
  }
  CHECK(CGAL::to_double(PMP::volume(by_cgal(closed[0]))) ==
        Approx(2.0 * std::numbers::pi * std::numbers::pi * 20.0 * 16.0).epsilon(0.03));
  // Wrapped, a ring keeps its handle; cut through at two places it loses it.
  RepairSettings settings;
  settings.wrap_mm = 2.0;
  const auto wrapped = repair_lumen(closed[0], settings);
  REQUIRE(wrapped);
  CHECK(wrapped->handles == 1);
  CHECK(genus_by_cgal(by_cgal(wrapped->wall)) == 1);
  settings.wrap_mm = 0.0;
  settings.cuts = {{Vector3d(20.0, 0.0, 0.0), Vector3d::UnitY()},
                   {Vector3d(0.0, 20.0, 0.0), Vector3d::UnitX()}};
  const auto part = repair_lumen(closed[0], settings);
  REQUIRE(part);
  CHECK(part->handles == 0);
  CHECK(genus_by_cgal(by_cgal(part->wall)) == 0);
  const auto sound = make_sound(part->wall, [](const Vector3d&) { return std::string(); });
  REQUIRE(sound);
  CHECK(enclosed_volume(sound->mesh) ==
        Approx(CGAL::to_double(PMP::volume(by_cgal(sound->mesh)))).epsilon(1e-9));
}
