// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/deviation.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include <CGAL/AABB_face_graph_triangle_primitive.h>
#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/AABB_triangle_primitive.h>
#include <CGAL/Simple_cartesian.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

using InexactKernel = CGAL::Simple_cartesian<double>;
using Triangles = std::vector<InexactKernel::Triangle_3>;
using Primitive = CGAL::AABB_triangle_primitive<InexactKernel, Triangles::const_iterator>;
using Tree = CGAL::AABB_tree<CGAL::AABB_traits<InexactKernel, Primitive>>;
using CornerPoints = std::array<Eigen::Vector3d, 3>;

CornerPoints corners_of(const TriangleMesh& mesh, const std::array<int, 3>& t) {
  return {mesh.vertices[static_cast<std::size_t>(t[0])], mesh.vertices[static_cast<std::size_t>(t[1])],
          mesh.vertices[static_cast<std::size_t>(t[2])]};
}

Triangles triangles_of(const TriangleMesh& mesh) {
  Triangles out;
  out.reserve(mesh.triangles.size());
  for (const auto& t : mesh.triangles) {
    const CornerPoints c = corners_of(mesh, t);
    const InexactKernel::Triangle_3 triangle({c[0].x(), c[0].y(), c[0].z()}, {c[1].x(), c[1].y(), c[1].z()},
                                             {c[2].x(), c[2].y(), c[2].z()});
    if (!triangle.is_degenerate()) out.push_back(triangle);
  }
  return out;
}

/// The corners in an order of their own, whichever way the triangle runs.
std::array<double, 9> key_of(CornerPoints c) {
  std::sort(c.begin(), c.end(), [](const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
    return std::lexicographical_compare(a.begin(), a.end(), b.begin(), b.end());
  });
  return {c[0].x(), c[0].y(), c[0].z(), c[1].x(), c[1].y(), c[1].z(), c[2].x(), c[2].y(), c[2].z()};
}

/// Have two meshes the same triangles, in the same order?
bool same_in_order(const TriangleMesh& a, const TriangleMesh& b) {
  return std::equal(
      a.triangles.begin(), a.triangles.end(), b.triangles.begin(), b.triangles.end(),
      [&](const auto& s, const auto& t) { return key_of(corners_of(a, s)) == key_of(corners_of(b, t)); });
}

class Farthest {
 public:
  explicit Farthest(const Tree& tree) : tree_(tree) {}

  void look_at(const CornerPoints& c, int depth = 0) {
    const Eigen::Vector3d middle = (c[0] + c[1] + c[2]) / 3.0;
    const auto nearest = tree_.closest_point_and_primitive({middle.x(), middle.y(), middle.z()});
    const double d =
        (Eigen::Vector3d(nearest.first.x(), nearest.first.y(), nearest.first.z()) - middle).norm();
    found_ = std::max(found_, d);
    double radius = 0.0;
    double to_one = 0.0;  // the most that a point of it is from that one triangle: at a corner
    for (const Eigen::Vector3d& p : c) {
      radius = std::max(radius, (p - middle).norm());
      to_one = std::max(to_one, std::sqrt(CGAL::squared_distance(InexactKernel::Point_3(p.x(), p.y(), p.z()),
                                                                 *nearest.second)));
    }
    if (std::min(d + radius, to_one) <= found_ + std::max(kDeviationStep_mm, kDeviationShare * found_) ||
        depth == shares::kDeviationHalvings)
      return;
    const Eigen::Vector3d ab = 0.5 * (c[0] + c[1]);
    const Eigen::Vector3d bc = 0.5 * (c[1] + c[2]);
    const Eigen::Vector3d ca = 0.5 * (c[2] + c[0]);
    for (const CornerPoints& part : {CornerPoints{c[0], ab, ca}, CornerPoints{c[1], bc, ab},
                                     CornerPoints{c[2], ca, bc}, CornerPoints{ab, bc, ca}})
      look_at(part, depth + 1);
  }

  void touch(const Eigen::Vector3d& p) { found_ = std::max(found_, distance(p)); }
  double bound() const { return found_ + std::max(kDeviationStep_mm, kDeviationShare * found_); }

 private:
  double distance(const Eigen::Vector3d& p) const {
    return std::sqrt(tree_.squared_distance({p.x(), p.y(), p.z()}));
  }
  const Tree& tree_;
  double found_ = 0.0;
};

}  // namespace

double farthest_from(const TriangleMesh& from, const TriangleMesh& to, const Effort& effort) {
  if (same_in_order(from, to)) return 0.0;
  std::vector<std::array<double, 9>> shared;
  shared.reserve(to.triangles.size());
  for (const auto& t : to.triangles) shared.push_back(key_of(corners_of(to, t)));
  std::sort(shared.begin(), shared.end());
  std::vector<CornerPoints> changed;
  for (const auto& t : from.triangles) {
    const CornerPoints c = corners_of(from, t);
    if (!std::binary_search(shared.begin(), shared.end(), key_of(c))) changed.push_back(c);
  }
  if (changed.empty()) return 0.0;
  const Triangles triangles = triangles_of(to);
  Tree tree(triangles.begin(), triangles.end());
  tree.accelerate_distance_queries();
  Farthest farthest(tree);
  for (const CornerPoints& c : changed) {  // a first guess, so that little is cut
    if (effort.cut_short()) return kInfinity;
    for (const Eigen::Vector3d& p : c) farthest.touch(p);
  }
  for (const CornerPoints& c : changed) {
    if (effort.cut_short()) return kInfinity;
    farthest.look_at(c);
  }
  return farthest.bound();
}

}  // namespace withy
