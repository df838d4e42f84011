// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/nearest_place.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <vector>

#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/AABB_triangle_primitive.h>
#include <CGAL/Simple_cartesian.h>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using PlaceKernel = CGAL::Simple_cartesian<double>;
using PlaceTriangles = std::vector<PlaceKernel::Triangle_3>;
using PlaceTree = CGAL::AABB_tree<CGAL::AABB_traits<
    PlaceKernel, CGAL::AABB_triangle_primitive<PlaceKernel, PlaceTriangles::const_iterator>>>;

/// A ray from a point of the surface meets the surface there; what it meets nearer than this is that point
/// again.
constexpr double kSamePlace_mm = 1e-6;

PlaceKernel::Point_3 place_point(const Eigen::Vector3d& p) {
  return {p.x(), p.y(), p.z()};
}

Eigen::Vector3d place_vector(const PlaceKernel::Point_3& p) {
  return {p.x(), p.y(), p.z()};
}

PlaceTriangles place_triangles(const TriangleMesh& mesh) {
  PlaceTriangles out;
  out.reserve(mesh.triangles.size());
  const auto corner = [&](int v) { return place_point(mesh.vertices[static_cast<std::size_t>(v)]); };
  for (const auto& t : mesh.triangles) {
    const PlaceKernel::Triangle_3 triangle(corner(t[0]), corner(t[1]), corner(t[2]));
    if (!triangle.is_degenerate()) out.push_back(triangle);
  }
  return out;
}

/// How far along a ray the surface is met again; infinite where it is not.
double next_crossing(const PlaceTree& tree, const Eigen::Vector3d& from, const Eigen::Vector3d& along) {
  const PlaceKernel::Ray_3 ray(place_point(from), PlaceKernel::Vector_3(along.x(), along.y(), along.z()));
  std::vector<PlaceTree::Intersection_and_primitive_id<PlaceKernel::Ray_3>::Type> met;
  tree.all_intersections(ray, std::back_inserter(met));
  double next = kInfinity;
  for (const auto& hit : met)
    if (const auto* p = boost::get<PlaceKernel::Point_3>(&hit.first)) {
      const double far = (place_vector(*p) - from).norm();
      if (far > kSamePlace_mm) next = std::min(next, far);
    }
  return next;
}

}  // namespace

double distance_to_surface(const TriangleMesh& surface, const Eigen::Vector3d& p) {
  const PlaceTriangles triangles = place_triangles(surface);
  const PlaceTree tree(triangles.begin(), triangles.end());
  return std::sqrt(tree.squared_distance(place_point(p)));
}

Eigen::Vector3d place_inside_near(const TriangleMesh& surface, const Eigen::Vector3d& p) {
  const PlaceTriangles triangles = place_triangles(surface);
  const PlaceTree tree(triangles.begin(), triangles.end());
  const Eigen::Vector3d nearest = place_vector(tree.closest_point(place_point(p)));
  if ((nearest - p).norm() <= kSamePlace_mm) return nearest;
  const Eigen::Vector3d inward = (nearest - p).normalized();
  const double next = next_crossing(tree, nearest, inward);
  if (!std::isfinite(next)) return nearest;
  return nearest + 0.5 * next * inward;
}

Eigen::Vector3d place_inwards(const TriangleMesh& closed, const Eigen::Vector3d& from,
                              const Eigen::Vector3d& inward, double most_mm) {
  const PlaceTriangles triangles = place_triangles(closed);
  const PlaceTree tree(triangles.begin(), triangles.end());
  const Eigen::Vector3d along = inward.normalized();
  return from + std::min(most_mm, 0.5 * next_crossing(tree, from, along)) * along;
}

}  // namespace withy
