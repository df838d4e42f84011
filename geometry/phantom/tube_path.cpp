// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/tube_path.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include <unsupported/Eigen/Splines>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Eigen::Isometry3d;
using Eigen::Vector2d;
using Eigen::Vector3d;

/// Below this angle an arc is straight to the last bit that matters (theta^2 / 24 relative).
constexpr double kStraight_rad = 1e-9;

Isometry3d arc(const Vector2d& u, double length_mm) {
  const double kappa = u.norm();
  const double theta = kappa * length_mm;
  Isometry3d X = Isometry3d::Identity();
  if (theta < kStraight_rad) {
    X.translation() << 0.0, 0.0, length_mm;
    return X;
  }
  const Vector2d e = u / kappa;
  const double half = std::sin(theta / 2.0);
  const double side = 2.0 * half * half / kappa;
  X.translation() << e.x() * side, e.y() * side, std::sin(theta) / kappa;
  X.linear() = Eigen::AngleAxisd(theta, Vector3d(-e.y(), e.x(), 0.0)).toRotationMatrix();
  return X;
}

/// Station along an arc, in [0, length], nearest to q (in the frame at the arc's start).
double nearest_on_arc(const Vector2d& u, double length_mm, const Vector3d& q) {
  const double kappa = u.norm();
  if (kappa * length_mm < kStraight_rad) return std::clamp(q.z(), 0.0, length_mm);
  const double radius = 1.0 / kappa;
  const double towards_centre = u.dot(q.head<2>()) / kappa;
  double angle = std::atan2(q.z(), radius - towards_centre);
  const double theta = kappa * length_mm;
  // Of the clamped ends the nearer one along the circle is the nearer one in space.
  const double middle = theta / 2.0;
  const double turn = 2.0 * std::numbers::pi;
  angle = middle + std::remainder(angle - middle, turn);
  return std::clamp(angle, 0.0, theta) * radius;
}

/// Curvature vector and length of the arc that leaves the origin along z and ends in q.
TubePath::Bend arc_to(const Vector3d& q) {
  const double side = q.head<2>().norm();
  const double chord = q.norm();
  const double half = std::atan2(side, q.z());
  if (half < kStraight_rad) return {chord, Vector2d::Zero()};
  return {chord * half / std::sin(half), q.head<2>() / side * (2.0 * side / (chord * chord))};
}

/// The double reflection step: the frame with tangent z at point b, as little turned as can be from the frame
/// at a.
Isometry3d carry_frame(const Isometry3d& a, const Vector3d& b, const Vector3d& tangent_b) {
  const Vector3d v1 = b - a.translation();
  const double c1 = v1.squaredNorm();
  const Vector3d x_left = a.linear().col(0) - 2.0 / c1 * v1.dot(a.linear().col(0)) * v1;
  const Vector3d t_left = a.linear().col(2) - 2.0 / c1 * v1.dot(a.linear().col(2)) * v1;
  const Vector3d v2 = tangent_b - t_left;
  const double c2 = v2.squaredNorm();
  Vector3d x = c2 > 0.0 ? Vector3d(x_left - 2.0 / c2 * v2.dot(x_left) * v2) : x_left;
  x = (x - tangent_b * tangent_b.dot(x)).normalized();
  Isometry3d X = Isometry3d::Identity();
  X.translation() = b;
  X.linear().col(0) = x;
  X.linear().col(1) = tangent_b.cross(x);
  X.linear().col(2) = tangent_b;
  return X;
}

}  // namespace

void TubePath::append(const Isometry3d& X, double length_mm, const Vector2d& u) {
  pieces_.push_back({length_mm_, length_mm, u, X, X * arc(u, length_mm / 2.0).translation()});
  length_mm_ += length_mm;
}

TubePath TubePath::from_bends(const Isometry3d& start, const std::vector<Bend>& bends) {
  assert(!bends.empty());
  TubePath path;
  Isometry3d X = start;
  path.joints_.push_back(0.0);
  for (const Bend& bend : bends) {
    assert(bend.length_mm > 0.0);
    path.append(X, bend.length_mm, bend.u);
    X = X * arc(bend.u, bend.length_mm);
    path.joints_.push_back(path.length_mm_);
  }
  return path;
}

TubePath TubePath::through_points(const Isometry3d& start, const std::vector<Vector3d>& points) {
  assert(points.size() >= 2 && points.front().isZero());
  using Spline = Eigen::Spline<double, 3>;
  Eigen::Matrix3Xd columns(3, static_cast<Eigen::Index>(points.size()));
  for (std::size_t i = 0; i < points.size(); ++i) columns.col(static_cast<Eigen::Index>(i)) = points[i];
  Spline::KnotVectorType chord;
  Eigen::ChordLengths(columns, chord);
  double polygon = 0.0;
  for (std::size_t i = 1; i < points.size(); ++i) polygon += (points[i] - points[i - 1]).norm();
  // Speed of the curve over its chord-length parameter in [0, 1] is about the polygon's length.
  Eigen::Matrix3Xd slope(3, 1);
  slope << 0.0, 0.0, polygon;
  const Eigen::VectorXi first = Eigen::VectorXi::Zero(1);
  const auto spline =
      Eigen::SplineFitting<Spline>::InterpolateWithDerivatives(columns, slope, first, 3, chord);

  TubePath path;
  Isometry3d X = Isometry3d::Identity();
  for (std::size_t i = 1; i < points.size(); ++i) {
    const double from = chord(static_cast<Eigen::Index>(i) - 1);
    const double to = chord(static_cast<Eigen::Index>(i));
    const int steps = std::max(4, static_cast<int>(std::ceil((to - from) * polygon / kSplineStep_mm)));
    for (int k = 1; k <= steps; ++k) {
      const auto derivatives = spline.derivatives(from + (to - from) * k / steps, 1);
      const Vector3d p = derivatives.col(0);
      const Bend bend = arc_to(X.inverse() * p);
      path.append(start * X, bend.length_mm, bend.u);
      X = carry_frame(X, p, Vector3d(derivatives.col(1)).normalized());
    }
  }
  path.joints_ = {0.0, path.length_mm_};
  return path;
}

const TubePath::Piece& TubePath::piece_at(double station_mm) const {
  const auto after = std::upper_bound(pieces_.begin(), pieces_.end(), station_mm,
                                      [](double s, const Piece& piece) { return s < piece.from_mm; });
  return after == pieces_.begin() ? pieces_.front() : *std::prev(after);
}

Isometry3d TubePath::pose(double station_mm) const {
  const double s = std::clamp(station_mm, 0.0, length_mm_);
  const Piece& piece = piece_at(s);
  return piece.X * arc(piece.u, s - piece.from_mm);
}

double TubePath::curvature(double station_mm) const {
  return piece_at(station_mm).u.norm();
}

TubePath::Nearest TubePath::nearest(const Vector3d& p) const {
  Nearest best{0.0, kInfinity};
  for (const Piece& piece : pieces_) {
    if ((p - piece.middle).norm() - piece.length_mm / 2.0 >= best.distance_mm) continue;
    const double s = nearest_on_arc(piece.u, piece.length_mm, piece.X.inverse() * p);
    const double distance = (piece.X * arc(piece.u, s).translation() - p).norm();
    if (distance < best.distance_mm) best = {piece.from_mm + s, distance};
  }
  return best;
}

}  // namespace withy
