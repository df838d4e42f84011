// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_walls.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>
#include <vector>

#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/AABB_triangle_primitive.h>
#include <CGAL/Simple_cartesian.h>
#include <tbb/parallel_invoke.h>

#include "geometry/channel/face_tree.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

// Distances and lengths of rays only: no decision here needs exact arithmetic.
using Kernel = CGAL::Simple_cartesian<double>;
using Point = Kernel::Point_3;
using Triangle = Kernel::Triangle_3;
using Iterator = std::vector<Triangle>::const_iterator;
using Tree = CGAL::AABB_tree<CGAL::AABB_traits<Kernel, CGAL::AABB_triangle_primitive<Kernel, Iterator>>>;

Point to_cgal(const Eigen::Vector3d& p) {
  return {p.x(), p.y(), p.z()};
}

/// Faces for rays.
struct Faces {
  std::vector<Triangle> triangles;
  Tree tree;

  Faces(const TriangleMesh& mesh, const std::vector<int>& faces) {
    triangles.reserve(faces.size());
    for (const int f : faces) {
      const auto& t = mesh.triangles[static_cast<std::size_t>(f)];
      triangles.emplace_back(to_cgal(mesh.vertices[t[0]]), to_cgal(mesh.vertices[t[1]]),
                             to_cgal(mesh.vertices[t[2]]));
    }
    if (triangles.empty()) return;
    tree.insert(triangles.cbegin(), triangles.cend());
    tree.build();
  }
};

/// The opening that each face fills, -1 for the sides.
std::vector<int> opening_of_faces(const Channel& channel) {
  std::vector<int> of(channel.mesh_E.triangles.size(), -1);
  int entry = 0;
  for (std::size_t o = channel.openings.size(); o-- > 0;) {
    if (channel.openings[o].is_entry) entry = static_cast<int>(o);
    for (const int f : channel.openings[o].faces) of[static_cast<std::size_t>(f)] = static_cast<int>(o);
  }
  for (std::size_t f = 0; f < of.size(); ++f)
    if (channel.role[f] == FaceRole::entry_opening && of[f] < 0) of[f] = entry;
  return of;
}

}  // namespace

struct LumenWalls::Impl {
  std::vector<int> side_faces;
  std::vector<int> opening_faces;
  std::vector<int> opening_of;  // for each of opening_faces
  std::unique_ptr<Faces> sides;
  FaceTree near_sides;
  FaceTree near_openings;
};

LumenWalls::LumenWalls(const Channel& channel) : impl_(std::make_unique<Impl>()) {
  const std::vector<int> of = opening_of_faces(channel);
  for (std::size_t f = 0; f < of.size(); ++f) {
    if (of[f] < 0) {
      impl_->side_faces.push_back(static_cast<int>(f));
    } else {
      impl_->opening_faces.push_back(static_cast<int>(f));
      impl_->opening_of.push_back(of[f]);
    }
  }
  tbb::parallel_invoke([&] { impl_->sides = std::make_unique<Faces>(channel.mesh_E, impl_->side_faces); },
                       [&] { impl_->near_sides = tree_of_faces(channel.mesh_E, impl_->side_faces); });
  impl_->near_openings = tree_of_faces(channel.mesh_E, impl_->opening_faces);
}

LumenWalls::~LumenWalls() = default;

bool LumenWalls::has_sides() const {
  return !impl_->side_faces.empty();
}

const std::vector<int>& LumenWalls::sides() const {
  return impl_->side_faces;
}

double LumenWalls::side_distance(const Eigen::Vector3d& p_E) const {
  return impl_->near_sides.nearest(p_E).distance;
}

LumenWalls::NearestOpening LumenWalls::nearest_opening(const Eigen::Vector3d& p_E) const {
  if (impl_->opening_faces.empty()) return {kInfinity, -1, p_E};
  const FaceTree::Nearest found = impl_->near_openings.nearest(p_E);
  return {found.distance, impl_->opening_of[found.triangle], found.point};
}

bool LumenWalls::sees(const Eigen::Vector3d& p_E, const Eigen::Vector3d& q_E) const {
  return !impl_->sides->tree.do_intersect(Kernel::Segment_3(to_cgal(p_E), to_cgal(q_E)));
}

double LumenWalls::half_width(const Eigen::Vector3d& p_E, const Eigen::Vector3d& inward, int face) const {
  const Kernel::Ray_3 ray(to_cgal(p_E), Kernel::Vector_3(inward.x(), inward.y(), inward.z()));
  const auto from = std::lower_bound(impl_->side_faces.begin(), impl_->side_faces.end(), face);
  const Iterator own = impl_->sides->triangles.cbegin() + (from - impl_->side_faces.begin());
  const auto hit = impl_->sides->tree.first_intersection(ray, [&](const Iterator& id) { return id == own; });
  if (!hit) return kInfinity;
  if (const Point* q = boost::get<Point>(&hit->first))
    return 0.5 * std::sqrt(CGAL::squared_distance(*q, to_cgal(p_E)));
  return 0.0;  // along a face: the way in is within the wall
}

}  // namespace withy
