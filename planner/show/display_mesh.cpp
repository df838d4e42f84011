// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/display_mesh.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include <CGAL/AABB_face_graph_triangle_primitive.h>
#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/Simple_cartesian.h>
#include <CGAL/Surface_mesh.h>
#include <CGAL/Surface_mesh_simplification/Policies/Edge_collapse/Count_stop_predicate.h>
#include <CGAL/Surface_mesh_simplification/edge_collapse.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_reduce.h>

namespace withy {
namespace {

namespace Sms = CGAL::Surface_mesh_simplification;
using Kernel = CGAL::Simple_cartesian<double>;
using Point = Kernel::Point_3;
using SurfaceMesh = CGAL::Surface_mesh<Point>;

// Enough points that a bump left out would show, few enough that measuring takes less than simplifying.
constexpr std::size_t kMeasuredPoints = 50000;

/// The wall faces alone, with the vertices that they use.
TriangleMesh wall_of(const Channel& channel) {
  TriangleMesh wall;
  std::vector<int> number(channel.mesh_E.vertices.size(), -1);
  for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f) {
    if (channel.role[f] != FaceRole::wall) continue;
    std::array<int, 3> corners = channel.mesh_E.triangles[f];
    for (int& corner : corners) {
      int& own = number[static_cast<std::size_t>(corner)];
      if (own < 0) {
        own = static_cast<int>(wall.vertices.size());
        wall.vertices.push_back(channel.mesh_E.vertices[static_cast<std::size_t>(corner)]);
      }
      corner = own;
    }
    wall.triangles.push_back(corners);
  }
  return wall;
}

SurfaceMesh to_cgal(const TriangleMesh& mesh) {
  SurfaceMesh out;
  out.reserve(mesh.vertices.size(), 3 * mesh.triangles.size() / 2 + 1, mesh.triangles.size());
  for (const Eigen::Vector3d& v : mesh.vertices) out.add_vertex(Point(v.x(), v.y(), v.z()));
  for (const auto& t : mesh.triangles) {
    const auto corner = [&t](std::size_t k) {
      return SurfaceMesh::Vertex_index(static_cast<unsigned>(t[k]));
    };
    out.add_face(corner(0), corner(1), corner(2));
  }
  return out;
}

TriangleMesh from_cgal(SurfaceMesh& mesh) {
  mesh.collect_garbage();
  TriangleMesh out;
  for (const auto v : mesh.vertices()) {
    const Point& p = mesh.point(v);
    out.vertices.emplace_back(p.x(), p.y(), p.z());
  }
  for (const auto f : mesh.faces()) {
    std::array<int, 3> corners{};
    std::size_t k = 0;
    for (const auto v : mesh.vertices_around_face(mesh.halfedge(f))) corners[k++] = static_cast<int>(v);
    out.triangles.push_back(corners);
  }
  return out;
}

void simplify(SurfaceMesh& mesh, std::size_t most_triangles) {
  // A mesh without openings has three edges for every two triangles; openings add a few.
  Sms::edge_collapse(mesh, Sms::Count_stop_predicate<SurfaceMesh>(most_triangles * 3 / 2));
}

/// Largest distance from a sample of `points` to the mesh.
void measure_deviation(const std::vector<Eigen::Vector3d>& points, const SurfaceMesh& mesh,
                       DisplayMesh& out) {
  using Primitive = CGAL::AABB_face_graph_triangle_primitive<SurfaceMesh>;
  using Tree = CGAL::AABB_tree<CGAL::AABB_traits<Kernel, Primitive>>;
  Tree tree(faces(mesh).first, faces(mesh).second, mesh);
  tree.accelerate_distance_queries();
  const std::size_t step = points.size() / kMeasuredPoints + 1;
  out.deviation_points = (points.size() + step - 1) / step;
  const auto largest = [](double a, double b) { return std::max(a, b); };
  const auto over = [&](const tbb::blocked_range<std::size_t>& range, double most) {
    for (std::size_t i = range.begin(); i < range.end(); ++i) {
      const Eigen::Vector3d& p = points[i * step];
      most = std::max(most, tree.squared_distance(Point(p.x(), p.y(), p.z())));
    }
    return most;
  };
  const tbb::blocked_range<std::size_t> all(0, out.deviation_points);
  out.deviation_mm = std::sqrt(tbb::parallel_reduce(all, 0.0, over, largest));
}

}  // namespace

DisplayMesh make_display_mesh(const Channel& channel, std::size_t most_triangles) {
  DisplayMesh out;
  out.wall_E = wall_of(channel);
  out.triangles_before = out.wall_E.triangles.size();
  if (out.triangles_before <= most_triangles) return out;
  SurfaceMesh mesh = to_cgal(out.wall_E);
  simplify(mesh, most_triangles);
  TriangleMesh drawn = from_cgal(mesh);
  measure_deviation(out.wall_E.vertices, mesh, out);
  out.wall_E = std::move(drawn);
  return out;
}

}  // namespace withy
