// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/swept_body.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "planner/proof/lemmas/motion_acceleration.h"

namespace withy {
namespace {

// Covers the rounding of the few products of a bulge.
constexpr double kBulgeRounding = 1.0 + 1e-12;

// Steps of differences turn the tip by this much (rad); points are wrong by less than kPoint_mm.
constexpr double kStep_rad = 1e-4;
constexpr double kPoint_mm = 1e-12;
constexpr double kRightAngle_rad = 0.5 * std::numbers::pi;

/// Length of the chord of an arc, `half` half the angle it turns by.
double chord_of(double length_mm, double half) {
  // Past this the next term of the series counts.
  constexpr double kSeries = 1e-2;
  if (half > kSeries) return length_mm * std::sin(half) / half;
  const double square = half * half;
  return length_mm * (1.0 - square / 6.0 * (1.0 - square / 20.0 * (1.0 - square / 42.0)));
}

/// Goes on along a straight or bent piece.
BentBody::Start gone(const BentBody::Start& from, double length_mm, double kappa_per_mm, bool rigid) {
  const double half = rigid ? 0.0 : 0.5 * kappa_per_mm * length_mm;
  const double chord = rigid ? length_mm : chord_of(length_mm, half);
  const double angle = from.angle_rad + half;
  return {from.across_mm + chord * std::sin(angle), from.along_mm + chord * std::cos(angle), angle + half};
}

}  // namespace

double SweptCell::from_set(double least_mm) const {
  const double square = least_mm * least_mm - 0.25 * (edge_s_mm * edge_s_mm + edge_u_mm[0] * edge_u_mm[0] +
                                                      edge_u_mm[1] * edge_u_mm[1]);
  return std::sqrt(std::max(0.0, square)) - bulge_mm;
}

SweptBody::SweptBody(const Bench& bench, const HuntSweep& sweep)
    : scale_(bench.scale()),
      planned_(bench.design(), bench.state(sweep.corners.front())),
      X_channel_(bench.placement_in_channel().X_EB),
      track_(bench.swept_bends(sweep)) {
  const Design& design = bench.design();
  const auto& regions = planned_.regions();
  const double length = length_mm_ = design.length_mm();
  free_from_mm_ = std::clamp(first_exposed_station(design, sweep.corners.front().insertion_mm),
                             regions.back().from_mm, length);
  frozen_kappa_per_mm_ = 0.0;
  for (std::size_t i = 0; i + 1 < regions.size(); ++i)
    frozen_kappa_per_mm_ = std::max(frozen_kappa_per_mm_, regions[i].u.norm());
  double at = free_from_mm_;
  const auto add = [&](double to, bool rigid) {
    if (to <= at) return;
    pieces_.push_back({at, to, rigid});
    at = to;
  };
  for (const RigidSpan& span : design.rigid_spans()) {
    if (span.to_mm <= at) continue;
    add(std::min(span.from_mm, length), false);
    add(std::min(span.to_mm, length), true);
  }
  add(length, false);
  const Eigen::Isometry3d X = planned_.pose_E(free_from_mm_);
  R_ = X_channel_.linear() * X.linear();
  start_ = X_channel_ * Eigen::Vector3d(X.translation() / scale_);
}

BentBody SweptBody::bent(const Eigen::Vector2d& u) const {
  BentBody out;
  out.kappa_per_mm_ = u.norm();
  if (out.kappa_per_mm_ > 0.0) out.way_ = u / out.kappa_per_mm_;
  out.starts_.reserve(pieces_.size());
  BentBody::Start start{0.0, 0.0, 0.0};
  for (const Piece& piece : pieces_) {
    out.starts_.push_back(start);
    if (&piece != &pieces_.back())
      start = gone(start, piece.to_mm - piece.from_mm, out.kappa_per_mm_, piece.rigid);
  }
  return out;
}

Eigen::Vector3d SweptBody::point(const BentBody& body, double s_mm) const {
  if (s_mm <= free_from_mm_ || pieces_.empty())
    return X_channel_ * Eigen::Vector3d(planned_.point_E(s_mm) / scale_);
  std::size_t i = 0;
  while (i + 1 < pieces_.size() && pieces_[i + 1].from_mm < s_mm) ++i;
  const Piece& piece = pieces_[i];
  const BentBody::Start end = gone(body.starts_[i], s_mm - piece.from_mm, body.kappa_per_mm_, piece.rigid);
  const Eigen::Vector3d p(end.across_mm * body.way_.x(), end.across_mm * body.way_.y(), end.along_mm);
  return start_ + R_ * (p / scale_);
}

SweptBody::Rise SweptBody::rise(const BendBox& box) const {
  Rise out;
  out.box = box;
  out.middle = bent(box.middle);
  out.kappa_per_mm = box.middle.norm() + (box.half[0].cwiseAbs() + box.half[1].cwiseAbs()).norm();
  out.step_per_mm = kStep_rad / std::max(kNoLength_mm, length_mm_ - free_from_mm_);
  for (std::size_t k = 0; k < 2; ++k) {
    const Eigen::Vector2d step = out.step_per_mm * box.half[k].normalized();  // 0 of 0
    out.beside[2 * k] = bent(box.middle - step);
    out.beside[2 * k + 1] = bent(box.middle + step);
  }
  return out;
}

double SweptBody::top_mm(const Rise& rise, double s_mm) const {
  const double l = s_mm - free_from_mm_;
  double top = point(rise.middle, s_mm).z();
  if (l <= 0.0) return top;
  const Eigen::RowVector3d g = R_.row(2);
  const bool upright = g.z() >= 0.0 && rise.kappa_per_mm * l <= kRightAngle_rad;
  const double M = (kTangentAcceleration * g.head<2>().norm() + (upright ? 0.0 : std::abs(g.z()))) * l * l *
                   l / (3.0 * scale_);
  const double eta = rise.step_per_mm;
  for (std::size_t k = 0; k < 2; ++k) {
    const double h = rise.box.half[k].norm();
    if (h == 0.0) continue;
    const double less = point(rise.beside[2 * k], s_mm).z();
    const double more = point(rise.beside[2 * k + 1], s_mm).z();
    const double slope =
        (std::abs(more - less) + 2.0 * kPoint_mm) / (2.0 * eta) + eta * eta * l * l * l * l / (24.0 * scale_);
    top += slope * h + 0.5 * M * h * h;  // (3)
  }
  return top;
}

double SweptBody::top_between(const Rise& rise, double s0_mm, double top0_mm, double s1_mm,
                              double top1_mm) const {
  const double ds = s1_mm - s0_mm;
  return std::max(top0_mm, top1_mm) +
         ds * ds * std::max(frozen_kappa_per_mm_, rise.kappa_per_mm) / (8.0 * scale_);
}

SweptCell SweptBody::cell(const BendBox& box, const std::array<BentBody, 4>& bodies, double s0_mm,
                          double s1_mm) const {
  SweptCell out;
  out.per_end = box.corners();
  double kappa = frozen_kappa_per_mm_;
  for (std::size_t k = 0; k < out.per_end; ++k) {
    out.corner[k] = point(bodies[k], s0_mm);
    out.corner[k + out.per_end] = point(bodies[k], s1_mm);
    kappa = std::max(kappa, bodies[k].kappa_per_mm_);
  }
  const double l = std::max(0.0, s1_mm - free_from_mm_);
  const double widths = 4.0 * (box.half[0].squaredNorm() + box.half[1].squaredNorm());
  const double ds = s1_mm - s0_mm;
  out.bulge_mm = kBulgeRounding * (ds * ds * kappa + widths * kTangentAcceleration * l * l * l / 3.0) /
                 (8.0 * scale_);  // (1)
  const auto edge = [&](std::size_t a, std::size_t b) { return (out.corner[a] - out.corner[b]).norm(); };
  for (std::size_t k = 0; k < out.per_end; ++k)
    out.edge_s_mm = std::max(out.edge_s_mm, edge(k, k + out.per_end));
  for (std::size_t k = 0; k < out.corners(); k += 2)
    out.edge_u_mm[0] = std::max(out.edge_u_mm[0], edge(k, k + 1));
  if (out.per_end == 4)
    for (const std::size_t k : {0, 1, 4, 5}) out.edge_u_mm[1] = std::max(out.edge_u_mm[1], edge(k, k + 2));
  out.lowest_mm = out.corner[0].z();
  for (std::size_t k = 1; k < out.corners(); ++k) {
    if (out.corner[k].z() > out.corner[out.highest].z()) out.highest = k;
    out.lowest_mm = std::min(out.lowest_mm, out.corner[k].z());
  }
  return out;
}

}  // namespace withy
