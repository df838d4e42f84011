// SPDX-License-Identifier: GPL-3.0-or-later
#include <cmath>

#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/AABB_triangle_primitive.h>
#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>

#include "geometry/numbers/numbers.h"
#include "tools/bench/distance/rivals.h"

namespace withy::bench {
namespace {

using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Point = Kernel::Point_3;
using Triangles = std::vector<Kernel::Triangle_3>;
using Tree = CGAL::AABB_tree<
    CGAL::AABB_traits<Kernel, CGAL::AABB_triangle_primitive<Kernel, Triangles::const_iterator>>>;

Point to_cgal(const Eigen::Vector3d& p) {
  return {p.x(), p.y(), p.z()};
}

struct Wall {
  Triangles triangles;
  Tree tree;

  explicit Wall(const Channel& channel) {
    const TriangleMesh& mesh = channel.mesh_E;
    for (std::size_t f = 0; f < mesh.triangles.size(); ++f) {
      if (channel.role[f] != FaceRole::wall) continue;
      const auto corner = [&](std::size_t k) {
        return to_cgal(mesh.vertices[static_cast<std::size_t>(mesh.triangles[f][k])]);
      };
      triangles.emplace_back(corner(0), corner(1), corner(2));
    }
    tree.insert(triangles.cbegin(), triangles.cend());
    tree.build();
    tree.accelerate_distance_queries();
  }
};

double closest_points(const Wall& wall, const Body& body) {
  double least2 = kInfinity;
  for (const Eigen::Vector3d& p : body.points)
    least2 = std::min(least2, wall.tree.squared_distance(to_cgal(p)));
  return std::sqrt(least2) - body.radius_mm;
}

/// Each search starts from the point found for the station before.
double with_running_hint(const Wall& wall, const Body& body) {
  double least2 = kInfinity;
  auto [hint, primitive] = wall.tree.closest_point_and_primitive(to_cgal(body.points.front()));
  for (const Eigen::Vector3d& p : body.points) {
    const Point query = to_cgal(p);
    hint = wall.tree.closest_point(query, hint);
    least2 = std::min(least2, CGAL::squared_distance(query, hint));
  }
  return std::sqrt(least2) - body.radius_mm;
}

double touches(const Wall& wall, const Body& body) {
  const double radius2 = body.radius_mm * body.radius_mm;
  for (const Eigen::Vector3d& p : body.points)
    if (wall.tree.do_intersect(Kernel::Sphere_3(to_cgal(p), radius2))) return 1.0;
  return 0.0;
}

}  // namespace

std::vector<Rival> cgal_rivals(const std::shared_ptr<const Channel>& channel) {
  const auto wall = std::make_shared<const Wall>(*channel);
  return {{"CGAL closest point", [wall](const Body& body) { return closest_points(*wall, body); }},
          {"CGAL closest point, running bound",
           [wall](const Body& body) { return with_running_hint(*wall, body); }},
          {"CGAL sphere test, yes or no", [wall](const Body& body) { return touches(*wall, body); }, true}};
}

}  // namespace withy::bench
