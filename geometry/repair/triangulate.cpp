// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/triangulate.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <exception>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/triangulate_faces.h>
#include <CGAL/Surface_mesh.h>

#include "planner/files/words.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;

/// The corners without those that stand on the one before.
std::vector<int> distinct(std::vector<int> corners) {
  corners.erase(std::unique(corners.begin(), corners.end()), corners.end());
  while (corners.size() > 1 && corners.front() == corners.back()) corners.pop_back();
  return corners;
}

bool split(Surface& surface) {
  for (const bool seen_along_normal : {true, false}) {
    try {
      if (PMP::triangulate_faces(surface, CGAL::parameters::use_delaunay_triangulation(seen_along_normal)))
        return true;
    } catch (const std::exception&) {
      continue;  // corners that cross one another, seen so
    }
  }
  return false;
}

/// The triangles of one face; none where it can't be split.
std::vector<std::array<int, 3>> triangles_of(const TriangleMesh& mesh, const std::vector<int>& corners) {
  if (corners.size() < 3) return {};
  if (corners.size() == 3) return {{corners[0], corners[1], corners[2]}};
  Surface surface;
  std::vector<Surface::Vertex_index> around;
  for (const int v : corners) {
    const Eigen::Vector3d& p = mesh.vertices[static_cast<std::size_t>(v)];
    around.push_back(surface.add_vertex(Kernel::Point_3(p.x(), p.y(), p.z())));
  }
  surface.add_face(around);
  if (!split(surface)) return {};
  std::vector<std::array<int, 3>> triangles;
  for (const auto f : surface.faces()) {
    std::array<int, 3> t{};
    std::size_t k = 0;
    for (const auto v : surface.vertices_around_face(surface.halfedge(f)))
      t[k++] = corners[static_cast<std::size_t>(v)];
    triangles.push_back(t);
  }
  return triangles;
}

}  // namespace

TriangleMesh triangulated(PolygonMesh mesh, std::vector<std::string>& done) {
  std::size_t left_out = 0;
  for (std::vector<int>& face : mesh.wider) {
    const auto triangles = triangles_of(mesh.triangles, distinct(std::move(face)));
    left_out += triangles.empty();
    mesh.triangles.triangles.insert(mesh.triangles.triangles.end(), triangles.begin(), triangles.end());
  }
  const std::size_t splits = mesh.wider.size() - left_out;
  if (splits > 0)
    done.push_back("Split " + count_of(splits, "face") + " with more than three corners into triangles.");
  if (left_out > 0)
    done.push_back("Left out " + count_of(left_out, "face") + " with more than three corners and no area.");
  return std::move(mesh.triangles);
}

}  // namespace withy
