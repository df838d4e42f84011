// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/wall.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace withy::recheck {
namespace {

// Nodes of the grid of guesses at most; a finer grain is made coarser.
constexpr double kMostNodes = 2e7;
// The grid reaches this far (mm, in grains) beyond the mesh.
constexpr double kMargin_grains = 4.0;
// What geometry's distance may be off by, relative to lengths of 1 mm and more: double precision with room to
// spare.
constexpr double kDistanceRounding = 1e-9;
// Points of the entry plane are asked about this far past it.
constexpr double kPastEntry_mm = 2.0 * kEntryPlaneContact_mm;

using Corner = std::array<Interval, 3>;

Corner corner_of(const Eigen::Vector3d& p) {
  return {Interval(p.x()), Interval(p.y()), Interval(p.z())};
}

/// An upper bound of the distance from c to the triangle: to the point of it that lies, by rounded numbers,
/// nearest to q.
double most_distance_to_face(const Eigen::Vector3d& c, const Eigen::Vector3d& q, const Eigen::Vector3d& a,
                             const Eigen::Vector3d& b, const Eigen::Vector3d& d) {
  const Eigen::Vector3d e1 = b - a;
  const Eigen::Vector3d e2 = d - a;
  const Eigen::Vector3d w = q - a;
  const double d11 = e1.dot(e1);
  const double d12 = e1.dot(e2);
  const double d22 = e2.dot(e2);
  const double det = d11 * d22 - d12 * d12;
  double v = 0.0;
  double t = 0.0;
  if (det > 0.0) {
    v = std::clamp((d22 * w.dot(e1) - d12 * w.dot(e2)) / det, 0.0, 1.0);
    t = std::clamp((d11 * w.dot(e2) - d12 * w.dot(e1)) / det, 0.0, 1.0);
  }
  if (v + t > 1.0) t = std::max(0.0, 1.0 - v);
  // v, t >= 0 and v + t <= 1 (1 - v is exact or rounds; take a last place off): a point of the face.
  if (v + t >= 1.0) t = std::max(0.0, next_down(next_down(t)));
  const Corner A = corner_of(a);
  const Corner B = corner_of(b);
  const Corner D = corner_of(d);
  Interval sum(0.0);
  for (std::size_t i = 0; i < 3; ++i) {
    const Interval x = A[i] + Interval(v) * (B[i] - A[i]) + Interval(t) * (D[i] - A[i]);
    sum = sum + square(x - Interval(c[static_cast<Eigen::Index>(i)]));
  }
  return sqrt(sum).hi;
}

/// A lower bound of the distance from p to the triangle: along any direction n every point of it is at least
/// as far as its nearest corner, |p - x| |n| >= n . (p - x) >= min over corners c of n . (p - c). Tried are
/// the ways from each edge's nearest point, and the normal: one of them is the way from the triangle's
/// nearest point, but for rounding, which can only make the bound weaker.
double least_distance_to_face(const Eigen::Vector3d& p, const std::array<Eigen::Vector3d, 3>& corners) {
  double most = 0.0;
  const auto look = [&](const Eigen::Vector3d& n) {
    Interval squared(0.0);
    for (const double x : n) squared = squared + square(Interval(x));
    const double norm = sqrt(squared).hi;
    if (!(norm > 0.0) || !n.allFinite()) return;
    double least = kInfinity;
    for (const Eigen::Vector3d& corner : corners) {
      Interval along(0.0);
      for (Eigen::Index i = 0; i < 3; ++i)
        along = along + Interval(n[i]) * (Interval(p[i]) - Interval(corner[i]));
      least = std::min(least, along.lo);
    }
    if (least > 0.0) most = std::max(most, next_down(least / norm));
  };
  for (std::size_t k = 0; k < 3; ++k) {
    const Eigen::Vector3d& a = corners[k];
    const Eigen::Vector3d edge = corners[(k + 1) % 3] - a;
    const double squared = edge.squaredNorm();
    const double share = squared > 0.0 ? std::clamp((p - a).dot(edge) / squared, 0.0, 1.0) : 0.0;
    look(p - a - share * edge);
  }
  const Eigen::Vector3d normal = (corners[1] - corners[0]).cross(corners[2] - corners[0]);
  look(normal);
  look(-normal);
  return most;
}

}  // namespace

Wall::Wall(const WallDistance& distance, double grain_mm) : distance_(distance), grain_(grain_mm) {
  const Channel& channel = distance.channel();
  Bounds box{Eigen::Vector3d::Constant(kInfinity), Eigen::Vector3d::Constant(-kInfinity)};
  all_openings_ = box;
  for (const Eigen::Vector3d& p : channel.mesh_E.vertices) {
    box.low = box.low.cwiseMin(p);
    box.high = box.high.cwiseMax(p);
  }
  for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f) {
    if (channel.role[f] == FaceRole::wall) continue;
    Opening opening;
    for (std::size_t k = 0; k < 3; ++k)
      opening.corners[k] = channel.mesh_E.vertices[static_cast<std::size_t>(channel.mesh_E.triangles[f][k])];
    const auto& [a, b, c] = opening.corners;
    opening.box = {a.cwiseMin(b).cwiseMin(c), a.cwiseMax(b).cwiseMax(c)};
    all_openings_.low = all_openings_.low.cwiseMin(opening.box.low);
    all_openings_.high = all_openings_.high.cwiseMax(opening.box.high);
    openings_.push_back(opening);
  }
  const Eigen::Vector3d size = box.high - box.low;
  grain_ = std::max(grain_, std::cbrt(size.prod() / kMostNodes));
  origin_ = box.low.array() - kMargin_grains * grain_;
  std::size_t nodes = 1;
  for (std::size_t i = 0; i < 3; ++i) {
    count_[i] = static_cast<int>(size[static_cast<Eigen::Index>(i)] / grain_ + 2.0 * kMargin_grains) + 2;
    nodes *= static_cast<std::size_t>(count_[i]);
  }
  nodes_ = std::make_unique<std::atomic<float>[]>(nodes);
  for (std::size_t i = 0; i < nodes; ++i)
    nodes_[i].store(std::numeric_limits<float>::quiet_NaN(), std::memory_order_relaxed);
}

double Wall::signed_at(const Eigen::Vector3d& p_E) const {
  return distance_.signed_distance(p_E);
}

double Wall::node(std::size_t x, std::size_t y, std::size_t z) const {
  const std::size_t index =
      (x * static_cast<std::size_t>(count_[1]) + y) * static_cast<std::size_t>(count_[2]) + z;
  float value = nodes_[index].load(std::memory_order_relaxed);
  if (std::isnan(value)) {
    const Eigen::Vector3d place(static_cast<double>(x), static_cast<double>(y), static_cast<double>(z));
    value = static_cast<float>(signed_at(origin_ + grain_ * place));
    nodes_[index].store(value, std::memory_order_relaxed);
  }
  return static_cast<double>(value);
}

double Wall::guess(const Eigen::Vector3d& p_E) const {
  std::array<std::size_t, 3> low{};
  std::array<double, 3> part{};
  double beyond = 0.0;
  for (std::size_t i = 0; i < 3; ++i) {
    const auto axis = static_cast<Eigen::Index>(i);
    const double x = (p_E[axis] - origin_[axis]) / grain_;
    const double within = std::clamp(x, 0.0, static_cast<double>(count_[i] - 1));
    beyond = std::max(beyond, std::abs(x - within) * grain_);
    low[i] = std::min(static_cast<std::size_t>(within), static_cast<std::size_t>(count_[i] - 2));
    part[i] = within - static_cast<double>(low[i]);
  }
  double sum = 0.0;
  for (unsigned corner = 0; corner < 8; ++corner) {
    std::array<std::size_t, 3> at = low;
    double weight = 1.0;
    for (std::size_t i = 0; i < 3; ++i) {
      const bool high = ((corner >> i) & 1U) != 0;
      at[i] += high ? 1 : 0;
      weight *= high ? part[i] : 1.0 - part[i];
    }
    if (weight > 0.0) sum += weight * node(at[0], at[1], at[2]);
  }
  return sum - beyond;
}

bool Wall::may_meet(const Ball& ball, const Bounds& box) {
  const Eigen::Array3d gap =
      (box.low - ball.centre).array().max((ball.centre - box.high).array()).max(0.0) * (1.0 - 1e-12);
  return gap.matrix().norm() * (1.0 - 1e-12) <= ball.radius;
}

bool Wall::may_meet(const Ball& ball, const Opening& opening) {
  return may_meet(ball, opening.box) && !(least_distance_to_face(ball.centre, opening.corners) > ball.radius);
}

bool Wall::meets_opening(const Ball& ball) const {
  if (openings_.empty() || !may_meet(ball, all_openings_)) return false;
  return std::any_of(openings_.begin(), openings_.end(),
                     [&](const Opening& opening) { return may_meet(ball, opening); });
}

bool Wall::below_in(const Ball& ball, double need) const {
  if (!(ball.radius < kInfinity) || !ball.centre.allFinite()) return false;
  const WallDistance::Nearest nearest = distance_.nearest(ball.centre);
  const TriangleMesh& mesh = distance_.channel().mesh_E;
  const auto& face = mesh.triangles[static_cast<std::size_t>(nearest.face)];
  const auto corner = [&](std::size_t k) -> const Eigen::Vector3d& {
    return mesh.vertices[static_cast<std::size_t>(face[k])];
  };
  const double by_point =
      most_distance_to_face(ball.centre, nearest.point_E, corner(0), corner(1), corner(2));
  if (next_up(by_point + ball.radius) < need) return true;
  if (!(ball.radius < need + nearest.distance_mm)) return false;
  if (meets_opening(ball) || distance_.inside(ball.centre)) return false;
  const double away = nearest.distance_mm * (1.0 - kDistanceRounding) - kDistanceRounding;
  return next_up(ball.radius - std::max(0.0, away)) < need;
}

bool Wall::above_in(const Ball& ball, double need) const {
  if (!(ball.radius < kInfinity) || !ball.centre.allFinite()) return false;
  // About the entry plane: a ball about the centre's projection onto it, as much larger, holds what is past
  // it.
  Ball past = ball;
  if (past.centre.z() < kPastEntry_mm) {
    past.radius = (past.radius + kPastEntry_mm - past.centre.z()) * kRoundedUp;
    past.centre.z() = kPastEntry_mm;
  }
  const double d = distance_.distance(past.centre);
  if (next_down(d - kDistanceRounding * (1.0 + d)) < next_up(need + past.radius)) return false;
  if (!distance_.inside(past.centre)) return false;
  // Openings that lie behind the entry plane are of no account.
  return std::none_of(openings_.begin(), openings_.end(), [&](const Opening& opening) {
    return opening.box.high.z() > kEntryPlaneContact_mm && may_meet(past, opening);
  });
}

double Wall::lower(const Eigen::Vector3d& p_E) const {
  const double d = signed_at(p_E);
  return d - kDistanceRounding * (1.0 + std::abs(d));
}

}  // namespace withy::recheck
