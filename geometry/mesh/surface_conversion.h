// SPDX-License-Identifier: GPL-3.0-or-later
// Between plain triangles and a halfedge surface whose type the caller has (CGAL::Surface_mesh): for .cpp
// files, so that no header includes CGAL.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "geometry/mesh/mesh.h"

namespace withy {

template <class Point>
Eigen::Vector3d vector_of(const Point& p) {
  return {p.x(), p.y(), p.z()};
}

/// Points and triangles as CGAL's soup functions take them.
template <class Point>
struct SurfaceSoup {
  std::vector<Point> points;
  std::vector<std::array<std::size_t, 3>> triangles;

  explicit SurfaceSoup(const TriangleMesh& mesh) {
    points.reserve(mesh.vertices.size());
    for (const Eigen::Vector3d& v : mesh.vertices) points.emplace_back(v.x(), v.y(), v.z());
    triangles.reserve(mesh.triangles.size());
    for (const auto& t : mesh.triangles)
      triangles.push_back(
          {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
  }
};

/// The surface of a mesh that is an oriented manifold already.
template <class Surface>
Surface surface_of(const TriangleMesh& mesh) {
  Surface surface;
  using Vertex = typename Surface::Vertex_index;
  using Size = typename Surface::size_type;
  surface.reserve(static_cast<Size>(mesh.vertices.size()), static_cast<Size>(mesh.triangles.size() * 3 / 2),
                  static_cast<Size>(mesh.triangles.size()));
  for (const Eigen::Vector3d& v : mesh.vertices)
    surface.add_vertex(typename Surface::Point(v.x(), v.y(), v.z()));
  for (const auto& t : mesh.triangles)
    surface.add_face(Vertex(static_cast<unsigned>(t[0])), Vertex(static_cast<unsigned>(t[1])),
                     Vertex(static_cast<unsigned>(t[2])));
  return surface;
}

/// The same, without vertices of no face.
template <class Surface>
Surface surface_of_faces(const TriangleMesh& mesh) {
  auto surface = surface_of<Surface>(mesh);
  for (const auto v : surface.vertices())
    if (surface.is_isolated(v)) surface.remove_vertex(v);
  surface.collect_garbage();
  return surface;
}

/// Plain triangles of those faces that `taken` says yes to, with the vertices that they use.
template <class Surface, class Taken>
TriangleMesh mesh_of(const Surface& surface, const Taken& taken) {
  TriangleMesh mesh;
  std::vector<int> number(surface.num_vertices(), -1);
  for (const auto f : surface.faces()) {
    if (!taken(f)) continue;
    std::array<int, 3> t{};
    std::size_t k = 0;
    for (const auto v : surface.vertices_around_face(surface.halfedge(f))) {
      int& own = number[static_cast<std::size_t>(v)];
      if (own < 0) {
        own = static_cast<int>(mesh.vertices.size());
        mesh.vertices.push_back(vector_of(surface.point(v)));
      }
      t[k++] = own;
    }
    mesh.triangles.push_back(t);
  }
  return mesh;
}

template <class Surface>
TriangleMesh mesh_of(const Surface& surface) {
  return mesh_of(surface, [](const auto&) { return true; });
}

}  // namespace withy
