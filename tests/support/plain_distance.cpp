// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_distance.h"

#include <algorithm>
#include <cmath>

namespace withy_plain {
namespace {

using Corners = std::array<Eigen::Vector3d, 3>;

double edge_distance(const Eigen::Vector3d& p, const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
  const Eigen::Vector3d ab = b - a;
  const double length2 = ab.squaredNorm();
  const double t = length2 > 0 ? std::clamp((p - a).dot(ab) / length2, 0.0, 1.0) : 0.0;
  return (p - a - t * ab).norm();
}

std::vector<Corners> faces_with(const Solid& solid, bool wall, bool entry, bool outlet) {
  std::vector<Corners> out;
  for (std::size_t i = 0; i < solid.mesh.faces.size(); ++i) {
    const Role role = solid.role[i];
    if ((role == Role::wall && wall) || (role == Role::entry && entry) || (role == Role::outlet && outlet)) {
      Corners c;
      for (std::size_t k = 0; k < 3; ++k) {
        c[k] = solid.mesh.points[static_cast<std::size_t>(solid.mesh.faces[i][k])];
      }
      out.push_back(c);
    }
  }
  return out;
}

}  // namespace

double triangle_distance(const Eigen::Vector3d& p, const Eigen::Vector3d& a, const Eigen::Vector3d& b,
                         const Eigen::Vector3d& c) {
  const double to_edges = std::min({edge_distance(p, a, b), edge_distance(p, b, c), edge_distance(p, c, a)});
  const Eigen::Vector3d normal = (b - a).cross(c - a);
  const bool foot_within = (b - a).cross(p - a).dot(normal) >= 0 && (c - b).cross(p - b).dot(normal) >= 0 &&
                           (a - c).cross(p - c).dot(normal) >= 0;
  if (!foot_within || normal.squaredNorm() == 0) return to_edges;
  return std::min(to_edges, std::abs((p - a).dot(normal)) / normal.norm());
}

Triangles::Triangles(std::vector<Corners> corners) : corners_(std::move(corners)) {
  if (!corners_.empty()) build(0, static_cast<int>(corners_.size()));
}

int Triangles::build(int first, int count) {
  constexpr int kLeaf = 4;
  const int index = static_cast<int>(nodes_.size());
  nodes_.push_back({Eigen::AlignedBox3d(), first, count});
  Eigen::AlignedBox3d box;
  for (int i = first; i < first + count; ++i) {
    for (const auto& p : corners_[static_cast<std::size_t>(i)]) box.extend(p);
  }
  nodes_[static_cast<std::size_t>(index)].box = box;
  if (count <= kLeaf) return index;
  int axis = 0;
  box.sizes().maxCoeff(&axis);
  const auto middle = [axis](const Corners& c) { return c[0][axis] + c[1][axis] + c[2][axis]; };
  std::nth_element(corners_.begin() + first, corners_.begin() + first + count / 2,
                   corners_.begin() + first + count,
                   [&](const Corners& a, const Corners& b) { return middle(a) < middle(b); });
  const int left = build(first, count / 2);
  const int right = build(first + count / 2, count - count / 2);
  nodes_[static_cast<std::size_t>(index)].left = left;
  nodes_[static_cast<std::size_t>(index)].right = right;
  return index;
}

void Triangles::search(int index, const Eigen::Vector3d& p, double& best) const {
  const Node& node = nodes_[static_cast<std::size_t>(index)];
  if (node.left < 0) {
    for (int i = node.first; i < node.first + node.count; ++i) {
      const Corners& c = corners_[static_cast<std::size_t>(i)];
      best = std::min(best, triangle_distance(p, c[0], c[1], c[2]));
    }
    return;
  }
  int near = node.left, far = node.right;
  double d_near = nodes_[static_cast<std::size_t>(near)].box.exteriorDistance(p);
  double d_far = nodes_[static_cast<std::size_t>(far)].box.exteriorDistance(p);
  if (d_far < d_near) {
    std::swap(near, far);
    std::swap(d_near, d_far);
  }
  if (d_near < best) search(near, p, best);
  if (d_far < best) search(far, p, best);
}

double Triangles::distance(const Eigen::Vector3d& p, double most_mm) const {
  double best = most_mm;
  if (!nodes_.empty()) search(0, p, best);
  return best;
}

Wall::Wall(const Solid& solid)
    : all_(faces_with(solid, true, true, true)),
      wall_(faces_with(solid, true, false, false)),
      surface_(all_),
      outlets_(faces_with(solid, false, false, true)) {}

bool Wall::inside(const Eigen::Vector3d& p) const {
  double angle = 0;
  for (const Corners& f : all_) {
    const Eigen::Vector3d a = f[0] - p, b = f[1] - p, c = f[2] - p;
    const double la = a.norm(), lb = b.norm(), lc = c.norm();
    angle += 2 * std::atan2(a.dot(b.cross(c)), la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb);
  }
  constexpr double kHalfTurns = 2 * 3.14159265358979323846;  // half of the full solid angle 4 pi
  return std::abs(angle) > kHalfTurns;
}

}  // namespace withy_plain
