// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/face_tree.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <utility>

#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

constexpr std::uint32_t kLeafTriangles = 4;
// The plane of a triangle lower than this share of its longest side passes over no point: rounding turns its
// normal by up to 2^-52 over this.
constexpr double kFlat = 1e-4;
// Halving 2^31 triangles until four are left, with room to spare.
constexpr std::size_t kDeepest = 64;

/// From the point of the side ab that is nearest to p, to p.
Eigen::Vector3d from_side(const Eigen::Vector3d& p, const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
  const Eigen::Vector3d ab = b - a;
  const Eigen::Vector3d ap = p - a;
  const double along = ab.dot(ap);
  if (along <= 0.0) return ap;
  const double length2 = ab.squaredNorm();
  if (along >= length2) return p - b;
  return ap - along / length2 * ab;
}

/// Unit normal; zero where the triangle is too low for one.
Eigen::Vector3d plane_of(const FaceTree::Corners& t) {
  const Eigen::Vector3d ab = t[1] - t[0];
  const Eigen::Vector3d ac = t[2] - t[0];
  const Eigen::Vector3d normal = ab.cross(ac);
  const double size = normal.norm();
  const double longest2 = std::max({ab.squaredNorm(), ac.squaredNorm(), (t[2] - t[1]).squaredNorm()});
  if (!(size > kFlat * longest2)) return Eigen::Vector3d::Zero();
  return normal / size;
}

}  // namespace

Eigen::Vector3d from_triangle(const Eigen::Vector3d& p, const Eigen::Vector3d& a, const Eigen::Vector3d& b,
                              const Eigen::Vector3d& c) {
  const Eigen::Vector3d ab = b - a;
  const Eigen::Vector3d bc = c - b;
  const Eigen::Vector3d ca = a - c;
  const Eigen::Vector3d normal = ab.cross(-ca);
  const double normal2 = normal.squaredNorm();
  const double longest2 = std::max({ab.squaredNorm(), bc.squaredNorm(), ca.squaredNorm()});
  // Twice the area is the height over the longest side times that side.
  const bool plane = normal2 > kNeedle * kNeedle * longest2 * longest2;
  const Eigen::Vector3d ap = p - a;
  const Eigen::Vector3d bp = p - b;
  const Eigen::Vector3d cp = p - c;
  // Beyond a side, seen along the normal; what is nearest lies on such a side.
  const bool beyond_ab = !plane || normal.dot(ab.cross(ap)) < 0.0;
  const bool beyond_bc = !plane || normal.dot(bc.cross(bp)) < 0.0;
  const bool beyond_ca = !plane || normal.dot(ca.cross(cp)) < 0.0;
  if (!beyond_ab && !beyond_bc && !beyond_ca) return normal.dot(ap) / normal2 * normal;
  Eigen::Vector3d best = ap;
  double best2 = kInfinity;
  const auto take = [&](const Eigen::Vector3d& from) {
    const double from2 = from.squaredNorm();
    if (from2 >= best2) return;
    best = from;
    best2 = from2;
  };
  if (beyond_ab) take(from_side(p, a, b));
  if (beyond_bc) take(from_side(p, b, c));
  if (beyond_ca) take(from_side(p, c, a));
  return best;
}

FaceTree::FaceTree(std::vector<Corners> triangles) : triangles_(std::move(triangles)) {
  if (triangles_.empty()) return;
  given_.resize(triangles_.size());
  std::iota(given_.begin(), given_.end(), 0U);
  nodes_.reserve(triangles_.size());
  build(0, static_cast<std::uint32_t>(triangles_.size()));
  std::vector<Corners> in_order;
  in_order.reserve(triangles_.size());
  for (const std::uint32_t t : given_) in_order.push_back(triangles_[t]);
  triangles_ = std::move(in_order);
  planes_.reserve(triangles_.size());
  for (const Corners& t : triangles_) planes_.push_back(plane_of(t));
}

/// Over triangles given_[first, last); the node's index.
std::uint32_t FaceTree::build(std::uint32_t first, std::uint32_t last) {
  const auto index = static_cast<std::uint32_t>(nodes_.size());
  nodes_.emplace_back();
  Eigen::Vector3d low = Eigen::Vector3d::Constant(kInfinity);
  Eigen::Vector3d high = -low;
  Eigen::Vector3d lowest_middle = low;
  Eigen::Vector3d highest_middle = high;
  const auto middle3 = [&](std::uint32_t t) -> Eigen::Vector3d {
    return triangles_[t][0] + triangles_[t][1] + triangles_[t][2];
  };
  for (std::uint32_t i = first; i < last; ++i) {
    for (const Eigen::Vector3d& corner : triangles_[given_[i]]) {
      low = low.cwiseMin(corner);
      high = high.cwiseMax(corner);
    }
    const Eigen::Vector3d middle = middle3(given_[i]);
    lowest_middle = lowest_middle.cwiseMin(middle);
    highest_middle = highest_middle.cwiseMax(middle);
  }
  std::uint32_t count = last - first;
  std::uint32_t second = 0;
  if (count > kLeafTriangles) {
    Eigen::Index axis = 0;
    (highest_middle - lowest_middle).maxCoeff(&axis);
    const std::uint32_t half = first + count / 2;
    std::nth_element(given_.begin() + first, given_.begin() + half, given_.begin() + last,
                     [&](std::uint32_t s, std::uint32_t t) { return middle3(s)[axis] < middle3(t)[axis]; });
    build(first, half);
    second = build(half, last);
    count = 0;
  }
  nodes_[index] = {low, high, first, count, second};
  return index;
}

double FaceTree::Node::squared_distance(const Eigen::Vector3d& p) const {
  return (low - p).cwiseMax(p - high).cwiseMax(0.0).squaredNorm();
}

FaceTree::Nearest FaceTree::nearest(const Eigen::Vector3d& p) const {
  assert(!empty());
  struct Waiting {
    std::uint32_t node;
    double squared_distance;
  };
  std::array<Waiting, kDeepest> waiting;
  std::size_t count = 0;
  waiting[count++] = {0, 0.0};
  Eigen::Vector3d best = Eigen::Vector3d::Zero();
  double best2 = kInfinity;
  std::uint32_t best_triangle = 0;
  while (count > 0) {
    const Waiting next = waiting[--count];
    if (next.squared_distance >= best2) continue;
    std::uint32_t at = next.node;
    while (nodes_[at].count == 0) {
      std::uint32_t nearer = at + 1;
      std::uint32_t farther = nodes_[at].second;
      double nearer2 = nodes_[nearer].squared_distance(p);
      double farther2 = nodes_[farther].squared_distance(p);
      if (farther2 < nearer2) {
        std::swap(nearer, farther);
        std::swap(nearer2, farther2);
      }
      if (farther2 < best2) waiting[count++] = {farther, farther2};
      if (nearer2 >= best2) break;
      at = nearer;
    }
    for (std::uint32_t i = 0; i < nodes_[at].count; ++i) {
      const std::uint32_t t = nodes_[at].first + i;
      const double height = planes_[t].dot(p - triangles_[t][0]);
      if (height * height >= best2) continue;
      const Eigen::Vector3d from = from_triangle(p, triangles_[t][0], triangles_[t][1], triangles_[t][2]);
      const double from2 = from.squaredNorm();
      if (from2 >= best2) continue;
      best = from;
      best2 = from2;
      best_triangle = t;
    }
  }
  return {p - best, best.norm(), given_[best_triangle]};
}

FaceTree tree_of_faces(const TriangleMesh& mesh, const std::vector<int>& faces) {
  std::vector<FaceTree::Corners> triangles;
  triangles.reserve(faces.size());
  for (const int f : faces) {
    const auto& t = mesh.triangles[static_cast<std::size_t>(f)];
    triangles.push_back({mesh.vertices[t[0]], mesh.vertices[t[1]], mesh.vertices[t[2]]});
  }
  return FaceTree(std::move(triangles));
}

}  // namespace withy
