// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/mouths.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <tuple>

#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

/// Radii and places that agree to this are equal when openings are numbered.
constexpr double kSame_mm = 1e-5;

/// The rim's middle is taken where it has so large a share of the most room in the plane.
constexpr double kMiddleShare = 0.8;
constexpr int kTries = 24;  // across the rim's box, each way

/// opening_radius_mm is this much more than the rim's farthest point, for the rounding of numbers in a file.
constexpr double kReachMargin_mm = 0.01;

std::tuple<double, double, double, double> order_of(double radius_mm, const Vector3d& centre_S) {
  const auto rounded = [](double x) { return std::round(x / kSame_mm); };
  return {-rounded(radius_mm), rounded(centre_S.x()), rounded(centre_S.y()), rounded(centre_S.z())};
}

double distance_to_rim(const std::vector<Vector2d>& rim, const Vector2d& p) {
  double least = kInfinity;
  for (std::size_t i = 0; i < rim.size(); ++i) {
    const Vector2d& a = rim[i];
    const Vector2d d = rim[(i + 1) % rim.size()] - a;
    const double t = d.squaredNorm() > 0.0 ? std::clamp((p - a).dot(d) / d.squaredNorm(), 0.0, 1.0) : 0.0;
    least = std::min(least, (a + t * d - p).norm());
  }
  return least;
}

bool within_rim(const std::vector<Vector2d>& rim, const Vector2d& p) {
  bool inside = false;
  for (std::size_t i = 0, j = rim.size() - 1; i < rim.size(); j = i++)
    if ((rim[i].y() > p.y()) != (rim[j].y() > p.y()) &&
        p.x() < rim[i].x() + (rim[j].x() - rim[i].x()) * (p.y() - rim[i].y()) / (rim[j].y() - rim[i].y()))
      inside = !inside;
  return inside;
}

/// Where in a rim's plane (its middle at the origin) a body goes in.
Vector2d roomiest(const std::vector<Vector2d>& rim) {
  Eigen::AlignedBox2d box;
  for (const Vector2d& p : rim) box.extend(p);
  Vector2d best = Vector2d::Zero();
  double most = -1.0;
  for (int i = 0; i <= kTries; ++i)
    for (int j = 0; j <= kTries; ++j) {
      const Vector2d p = box.min() + box.sizes().cwiseProduct(Vector2d(i, j)) / kTries;
      const double room = within_rim(rim, p) ? distance_to_rim(rim, p) : -1.0;
      if (room > most) most = room, best = p;
    }
  const Vector2d middle = Vector2d::Zero();
  const bool middle_does = within_rim(rim, middle) && distance_to_rim(rim, middle) >= kMiddleShare * most;
  return middle_does ? middle : best;
}

Mouth mouth_of(const TriangleMesh& mesh, const CappedHole& hole) {
  std::vector<Vector3d> rim;
  for (const int v : hole.boundary) rim.push_back(mesh.vertices[static_cast<std::size_t>(v)]);
  Mouth mouth;
  double length = 0.0;
  for (std::size_t i = 0; i < rim.size(); ++i) {
    const Vector3d& b = rim[(i + 1) % rim.size()];
    mouth.centre_S += 0.5 * (b - rim[i]).norm() * (rim[i] + b);
    length += (b - rim[i]).norm();
  }
  mouth.centre_S /= length;
  mouth.radius_mm = length / (2.0 * EIGEN_PI);
  Vector3d area = Vector3d::Zero();  // of the cap, whose normals point out
  for (const int f : hole.faces) {
    const auto& t = mesh.triangles[static_cast<std::size_t>(f)];
    const auto corner = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    area += (corner(1) - corner(0)).cross(corner(2) - corner(0));
  }
  mouth.inward_S = -area.normalized();
  const Vector3d x = across(mouth.inward_S);
  const Vector3d y = mouth.inward_S.cross(x);
  double lowest = 0.0;
  double highest = 0.0;
  std::vector<Vector2d> flat;
  for (const Vector3d& p : rim) {
    const Vector3d d = p - mouth.centre_S;
    flat.emplace_back(d.dot(x), d.dot(y));
    lowest = std::min(lowest, d.dot(mouth.inward_S));
    highest = std::max(highest, d.dot(mouth.inward_S));
  }
  mouth.spread_mm = highest - lowest;
  const Vector2d at = roomiest(flat);
  mouth.entry_S = mouth.centre_S + at.x() * x + at.y() * y + highest * mouth.inward_S;
  mouth.room_mm = distance_to_rim(flat, at);
  for (const Vector3d& p : rim) mouth.reach_mm = std::max(mouth.reach_mm, (p - mouth.entry_S).norm());
  mouth.reach_mm += kReachMargin_mm;
  return mouth;
}

}  // namespace

Vector3d across(const Vector3d& axis_S) {
  int least = 0;
  axis_S.cwiseAbs().minCoeff(&least);
  const Vector3d own = Vector3d::Unit(least);
  return (own - own.dot(axis_S) * axis_S).normalized();
}

std::vector<Mouth> mouths_of(const SoundSurface& surface_S) {
  std::vector<Mouth> mouths;
  for (const CappedHole& hole : surface_S.holes) mouths.push_back(mouth_of(surface_S.mesh, hole));
  std::stable_sort(mouths.begin(), mouths.end(), [](const Mouth& a, const Mouth& b) {
    return order_of(a.radius_mm, a.centre_S) < order_of(b.radius_mm, b.centre_S);
  });
  return mouths;
}

Entry entry_by(const Mouth& mouth, const Vector3d& x_axis_S) {
  Entry entry;
  const Vector3d& z = mouth.inward_S;
  const Vector3d x = (x_axis_S - x_axis_S.dot(z) * z).normalized();
  entry.X_SE.linear().col(0) = x;
  entry.X_SE.linear().col(1) = z.cross(x);
  entry.X_SE.linear().col(2) = z;
  entry.X_SE.translation() = mouth.entry_S;
  entry.opening_radius_mm = mouth.reach_mm;
  return entry;
}

std::vector<int> numbered_openings(const Channel& channel) {
  std::vector<int> order(channel.openings.size());
  std::iota(order.begin(), order.end(), 0);
  const auto key = [&](int i) {
    const Opening& opening = channel.openings[static_cast<std::size_t>(i)];
    return order_of(opening.radius_mm, channel.entry.X_SE * opening.centre_E);
  };
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) { return key(a) < key(b); });
  return order;
}

}  // namespace withy
