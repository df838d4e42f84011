// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/shape.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "planner/segment/tip_pose.h"

namespace withy {

namespace {

// Below this angle the series' next term is under 1e-17, so it is as exact as the closed form and free of
// cancellation.
constexpr double kSeriesAngle = 1e-2;

/// sin(x)/x.
double sinc(double x) {
  if (std::abs(x) > kSeriesAngle) return std::sin(x) / x;
  const double x2 = x * x;
  return 1.0 - x2 / 6.0 * (1.0 - x2 / 20.0 * (1.0 - x2 / 42.0 * (1.0 - x2 / 72.0)));
}

/// (1 - cos x)/x^2, through the half angle.
double versine_ratio(double x) {
  const double half = sinc(0.5 * x);
  return 0.5 * half * half;
}

}  // namespace

namespace {

/// An arc's end, as seen from its start: (1) and what (2) needs.
struct ArcEnd {
  ArcEnd(const Eigen::Vector2d& u, double l_mm) : bend(l_mm * u) {
    const double theta = bend.norm();
    a = sinc(theta);
    b = versine_ratio(theta);
    p_mm << l_mm * b * bend.x(), l_mm * b * bend.y(), l_mm * a;  // (1)
  }
  Eigen::Vector2d bend;  // bending angle vector; |bend| = theta
  double a;              // sin(theta)/theta
  double b;              // (1 - cos(theta))/theta^2
  Eigen::Vector3d p_mm;
};

/// The product of two poses, all in place: Eigen's own goes by way of calls and temporaries.
Eigen::Isometry3d followed_by(const Eigen::Isometry3d& X, const Eigen::Isometry3d& Y) {
  Eigen::Isometry3d out;
  out.linear().noalias() = X.linear() * Y.linear();
  out.translation().noalias() = X.linear() * Y.translation();
  out.translation() += X.translation();
  out.makeAffine();
  return out;
}

}  // namespace

Eigen::Isometry3d arc_pose(const Eigen::Vector2d& u, double l_mm) {
  const ArcEnd end(u, l_mm);
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  X.translation() = end.p_mm;
  // (2) by Rodrigues' formula about w = (-bend_y, bend_x, 0): R = I + a [w]x + b [w]x^2.
  const double a = end.a;
  const double b = end.b;
  const double wx = -end.bend.y();
  const double wy = end.bend.x();
  X.linear() << 1.0 - b * wy * wy, b * wx * wy, a * wy,  //
      b * wx * wy, 1.0 - b * wx * wx, -a * wx,           //
      -a * wy, a * wx, 1.0 - b * (wx * wx + wy * wy);
  return X;
}

namespace {

/// The pose at the end of an arc that starts at `X`. A straight one only moves along its tangent: the same
/// sums as in the product, less what is multiplied by 0 and 1.
void go_along(const Eigen::Vector2d& u, double l_mm, Eigen::Isometry3d& X) {
  if (u.x() == 0.0 && u.y() == 0.0)
    X.translation() += X.linear().col(2) * l_mm;
  else
    X = followed_by(X, arc_pose(u, l_mm));
}

/// Hands out the pieces of a state's centreline from the base on: curvature and the station where each ends.
template <class Take>
void for_each_piece(const Design& design, double insertion_mm, const std::vector<Region>& regions,
                    Take&& take) {
  double at = 0.0;
  const auto add = [&](const Eigen::Vector2d& u, double to) {
    if (to <= at) return;
    take(u, at, to);
    at = to;
  };
  const Eigen::Vector2d straight = Eigen::Vector2d::Zero();
  add(straight, first_exposed_station(design, insertion_mm));
  for (const Region& region : regions) {
    for (const RigidSpan& span : design.rigid_spans()) {
      if (span.to_mm <= at || span.from_mm >= region.to_mm) continue;
      add(region.u, std::min(span.from_mm, region.to_mm));
      add(straight, std::min(span.to_mm, region.to_mm));
    }
    add(region.u, region.to_mm);
  }
}

Eigen::Isometry3d base_pose_E(const Design& design, double insertion_mm) {
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  X.translation().z() = insertion_mm - design.length_mm();
  return X;
}

}  // namespace

Shape::Shape(const Design& design, const State& state)
    : length_mm_(design.length_mm()), regions_(regions_of(design, state)) {
  Eigen::Isometry3d X = base_pose_E(design, state.insertion_mm);
  for_each_piece(design, state.insertion_mm, regions_,
                 [&](const Eigen::Vector2d& u, double from_mm, double to_mm) {
                   pieces_.push_back({from_mm, u, X});
                   go_along(u, to_mm - from_mm, X);
                 });
}

Eigen::Isometry3d tip_pose_E(const Design& design, const State& state) {
  Eigen::Isometry3d X = base_pose_E(design, state.insertion_mm);
  for_each_piece(design, state.insertion_mm, regions_of(design, state),
                 [&](const Eigen::Vector2d& u, double from_mm, double to_mm) {
                   go_along(u, std::min(to_mm, design.length_mm()) - from_mm, X);
                 });
  return X;
}

const Shape::Piece& Shape::piece_at(double s_mm) const {
  // Rounding of a station sum may put the tip an ulp past L.
  assert(s_mm <= length_mm_ + kNoLength_mm);
  const Piece* piece = &pieces_.front();
  for (const Piece& p : pieces_) {
    if (p.from_mm > s_mm) break;
    piece = &p;
  }
  return *piece;
}

Eigen::Isometry3d Shape::pose_E(double s_mm) const {
  const Piece& piece = piece_at(s_mm);
  if (s_mm <= 0.0) {
    Eigen::Isometry3d X = piece.X_E;
    X.translation().z() += s_mm;
    return X;
  }
  return followed_by(piece.X_E, arc_pose(piece.u, s_mm - piece.from_mm));
}

Eigen::Vector3d Shape::point_E(double s_mm) const {
  const Piece& piece = piece_at(s_mm);
  Eigen::Vector3d p_E;
  if (s_mm <= 0.0) {
    p_E = piece.X_E.translation();
    p_E.z() += s_mm;
    return p_E;
  }
  p_E.noalias() = piece.X_E.linear() * ArcEnd(piece.u, s_mm - piece.from_mm).p_mm;
  return p_E + piece.X_E.translation();
}

}  // namespace withy
