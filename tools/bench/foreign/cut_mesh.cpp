// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/foreign/cut_mesh.h"

#include <algorithm>
#include <cstddef>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/clip.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/measure.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/orientation.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Surface_mesh.h>

namespace withy::bench {
namespace {

namespace pmp = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;

Eigen::Vector3d to_eigen(const Kernel::Point_3& p) {
  return {p.x(), p.y(), p.z()};
}

Surface surface_of(const TriangleMesh& mesh) {
  std::vector<Kernel::Point_3> points;
  for (const Eigen::Vector3d& v : mesh.vertices) points.emplace_back(v.x(), v.y(), v.z());
  std::vector<std::vector<std::size_t>> faces;
  for (const auto& t : mesh.triangles)
    faces.push_back(
        {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
  pmp::orient_polygon_soup(points, faces);
  Surface surface;
  pmp::polygon_soup_to_polygon_mesh(points, faces, surface);
  if (CGAL::is_closed(surface) && !pmp::is_outward_oriented(surface)) pmp::reverse_face_orientations(surface);
  return surface;
}

TriangleMesh mesh_of(Surface& surface) {
  surface.collect_garbage();
  TriangleMesh mesh;
  for (const auto v : surface.vertices()) mesh.vertices.push_back(to_eigen(surface.point(v)));
  for (const auto f : surface.faces()) {
    std::array<int, 3> t{};
    std::size_t k = 0;
    for (const auto v : surface.vertices_around_face(surface.halfedge(f)))
      t[k++] = static_cast<int>(static_cast<std::size_t>(v));
    mesh.triangles.push_back(t);
  }
  return mesh;
}

}  // namespace

std::optional<TriangleMesh> cut_open(const TriangleMesh& mesh, const Eigen::Vector3d& on_plane,
                                     const Eigen::Vector3d& into) {
  Surface surface = surface_of(mesh);
  // CGAL keeps what lies on the plane's negative side.
  const Kernel::Plane_3 plane({on_plane.x(), on_plane.y(), on_plane.z()},
                              Kernel::Vector_3(-into.x(), -into.y(), -into.z()));
  if (!pmp::clip(surface, plane, pmp::parameters::clip_volume(false))) return std::nullopt;
  pmp::keep_largest_connected_components(surface, 1);
  return mesh_of(surface);
}

std::vector<Rim> rims_of(const TriangleMesh& mesh) {
  const Surface surface = surface_of(mesh);
  std::vector<Surface::Halfedge_index> cycles;
  pmp::extract_boundary_cycles(surface, std::back_inserter(cycles));
  std::vector<Rim> rims;
  for (const auto cycle : cycles) {
    Rim rim;
    for (const auto h : CGAL::halfedges_around_face(cycle, surface))
      rim.vertices.push_back(to_eigen(surface.point(surface.target(h))));
    const std::size_t n = rim.vertices.size();
    for (const Eigen::Vector3d& v : rim.vertices) rim.centre += v / static_cast<double>(n);
    for (std::size_t i = 0; i < n; ++i) {
      const Eigen::Vector3d& a = rim.vertices[i];
      const Eigen::Vector3d& b = rim.vertices[(i + 1) % n];
      rim.length += (b - a).norm();
      // A border halfedge runs the other way round than its face: seen from outside, clockwise about a hole
      // that is filled, so the area's normal points out.
      rim.into -= (a - rim.centre).cross(b - rim.centre);
    }
    rim.into.normalize();
    rims.push_back(std::move(rim));
  }
  std::sort(rims.begin(), rims.end(), [](const Rim& a, const Rim& b) { return a.length > b.length; });
  return rims;
}

}  // namespace withy::bench
