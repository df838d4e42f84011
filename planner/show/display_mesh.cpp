// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/display_mesh.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <map>
#include <vector>

#include <CGAL/AABB_face_graph_triangle_primitive.h>
#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
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

// Edge collapse alone takes 20 us a triangle. A wall of more triangles than this is brought to so many times
// the wanted number first, by clusters of its vertices.
constexpr std::size_t kMostCollapsed = 200000;
constexpr std::size_t kClusterTimes = 6;
// Of a plane cut by a grid of cubes about so many triangles are left in each square of a cube's side.
constexpr double kClusterTriangles = 2.5;

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

double area_of(const TriangleMesh& mesh) {
  double area = 0.0;
  for (const auto& t : mesh.triangles) {
    const auto corner = [&](std::size_t k) -> const Eigen::Vector3d& {
      return mesh.vertices[static_cast<std::size_t>(t[k])];
    };
    area += 0.5 * (corner(1) - corner(0)).cross(corner(2) - corner(0)).norm();
  }
  return area;
}

/// The wall with the vertices in each cube of a grid made one, their mean, and what triangles are left
/// between them; as an oriented manifold. About `triangles` of these.
SurfaceMesh clustered(const TriangleMesh& wall, std::size_t triangles) {
  const double cube_mm =
      std::sqrt(kClusterTriangles * area_of(wall) / static_cast<double>(std::max<std::size_t>(triangles, 1)));
  std::map<std::array<std::int64_t, 3>, std::size_t> cubes;
  std::vector<Eigen::Vector4d> sums;
  std::vector<std::size_t> cube_of;
  cube_of.reserve(wall.vertices.size());
  for (const Eigen::Vector3d& v : wall.vertices) {
    std::array<std::int64_t, 3> at{};
    for (std::size_t k = 0; k < 3; ++k)
      at[k] = static_cast<std::int64_t>(std::floor(v[static_cast<Eigen::Index>(k)] / cube_mm));
    const auto [cube, fresh] = cubes.try_emplace(at, sums.size());
    if (fresh) sums.emplace_back(Eigen::Vector4d::Zero());
    sums[cube->second] += v.homogeneous();
    cube_of.push_back(cube->second);
  }
  std::vector<Point> points;
  for (const Eigen::Vector4d& sum : sums) {
    const Eigen::Vector3d p = sum.hnormalized();
    points.emplace_back(p.x(), p.y(), p.z());
  }
  std::vector<std::array<std::size_t, 3>> corners;
  for (const auto& t : wall.triangles) {
    const auto c = [&](std::size_t k) { return cube_of[static_cast<std::size_t>(t[k])]; };
    if (c(0) != c(1) && c(1) != c(2) && c(2) != c(0)) corners.push_back({c(0), c(1), c(2)});
  }
  namespace Pmp = CGAL::Polygon_mesh_processing;
  Pmp::merge_duplicate_polygons_in_polygon_soup(points, corners);
  Pmp::orient_polygon_soup(points, corners);
  SurfaceMesh mesh;
  Pmp::polygon_soup_to_polygon_mesh(points, corners, mesh);
  return mesh;
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
  SurfaceMesh mesh = out.triangles_before > kMostCollapsed
                         ? clustered(out.wall_E, kClusterTimes * most_triangles)
                         : to_cgal(out.wall_E);
  simplify(mesh, most_triangles);
  TriangleMesh drawn = from_cgal(mesh);
  measure_deviation(out.wall_E.vertices, mesh, out);
  out.wall_E = std::move(drawn);
  return out;
}

}  // namespace withy
