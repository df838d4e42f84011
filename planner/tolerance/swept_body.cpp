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

// Past this half angle the next terms of the series count.
constexpr double kSeries_rad = 1e-2;
// Covers the rounding of a height and its derivatives over a box.
constexpr double kHeightRounding_mm = 1e-9;

/// Of half the angle that an arc turns by.
struct HalfAngle {
  explicit HalfAngle(double h) {
    const double square = h * h;
    if (h > kSeries_rad) {
      sine = std::sin(h);
      cosine = std::cos(h);
      sinc = sine / h;
      slope = (cosine - sinc) / h;
      return;
    }
    sinc = 1.0 - square / 6.0 * (1.0 - square / 20.0 * (1.0 - square / 42.0));
    sine = h * sinc;
    cosine = 1.0 - square / 2.0 * (1.0 - square / 12.0 * (1.0 - square / 30.0));
    slope = -h / 3.0 * (1.0 - square / 10.0 * (1.0 - square / 28.0));
  }
  double sine, cosine, sinc;
  double slope;  // of sinc
};

/// Goes on along a straight or bent piece.
BentBody::Start gone(const BentBody::Start& from, double length_mm, double kappa_per_mm, bool rigid) {
  BentBody::Start to = from;
  const double F = from.flexible_mm;
  if (rigid) {
    to.across_mm += length_mm * from.sine;
    to.along_mm += length_mm * from.cosine;
    to.across_mm2 += length_mm * F * from.cosine;
    to.along_mm2 -= length_mm * F * from.sine;
    to.square_mm3 += length_mm * F * F;
    return to;
  }
  const HalfAngle half(0.5 * kappa_per_mm * length_mm);
  const double chord = length_mm * half.sinc;
  const double chord_slope = 0.5 * length_mm * length_mm * half.slope;
  const double turn_slope = chord * (F + 0.5 * length_mm);
  const double sine = from.sine * half.cosine + from.cosine * half.sine;  // of the chord's angle
  const double cosine = from.cosine * half.cosine - from.sine * half.sine;
  to.across_mm += chord * sine;
  to.along_mm += chord * cosine;
  to.across_mm2 += chord_slope * sine + turn_slope * cosine;
  to.along_mm2 += chord_slope * cosine - turn_slope * sine;
  to.sine = sine * half.cosine + cosine * half.sine;
  to.cosine = cosine * half.cosine - sine * half.sine;
  to.flexible_mm += length_mm;
  to.square_mm3 += length_mm * (F * F + F * length_mm + length_mm * length_mm / 3.0);
  return to;
}

/// The most that slope v + M v^2 / 2 comes to for |v| <= most.
double greatest(double slope, double M, double most) {
  const double steep = std::abs(slope);
  return M < 0.0 && steep < -M * most ? -0.5 * steep * steep / M : steep * most + 0.5 * M * most * most;
}

struct Span {
  double from, to;
};

/// Where |v| <= most and slope v + M v^2 / 2 > -level may hold; nothing where it can't.
std::optional<Span> where_above(double slope, double M, double most, double level) {
  if (level + greatest(slope, M, most) <= 0.0) return std::nullopt;
  Span out{-most, most};
  if (M < 0.0) {
    const double root = std::sqrt(std::max(0.0, slope * slope - 2.0 * M * level));
    out.from = std::max(out.from, (slope - root) / -M);
    out.to = std::min(out.to, (slope + root) / -M);
  } else if (slope != 0.0) {
    const double bound = -(level + 0.5 * M * most * most) / slope;
    (slope > 0.0 ? out.from : out.to) = slope > 0.0 ? std::max(out.from, bound) : std::min(out.to, bound);
  }
  if (out.from > out.to) out = {-most, most};  // by rounding
  return out;
}

/// Where (3) may be above 0, `more_mm` added, along either side; nothing where it can't.
std::optional<std::array<Span, 2>> where_past(const SweptBody::Height& height,
                                              const std::array<double, 2>& most, double more_mm) {
  std::array<Span, 2> out{};
  for (std::size_t k = 0; k < 2; ++k) {
    const std::size_t other = 1 - k;
    const double level =
        height.middle_mm + more_mm + greatest(height.slope_mm2[other], height.bend_mm3, most[other]);
    const auto span = where_above(height.slope_mm2[k], height.bend_mm3, most[k], level);
    if (!span) return std::nullopt;
    out[k] = *span;
  }
  return out;
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
  const double length = design.length_mm();
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
  out.way_ = out.kappa_per_mm_ > 0.0 ? Eigen::Vector2d(u / out.kappa_per_mm_) : Eigen::Vector2d::UnitX();
  BentBody::Start start;
  for (const Piece& piece : pieces_) {
    out.starts_.push_back(start);
    if (&piece != &pieces_.back())
      start = gone(start, piece.to_mm - piece.from_mm, out.kappa_per_mm_, piece.rigid);
  }
  return out;
}

BentBody::Start SweptBody::end(const BentBody& body, double s_mm) const {
  std::size_t i = 0;
  while (i + 1 < pieces_.size() && pieces_[i + 1].from_mm < s_mm) ++i;
  return gone(body.starts_[i], s_mm - pieces_[i].from_mm, body.kappa_per_mm_, pieces_[i].rigid);
}

Eigen::Vector3d SweptBody::point(const BentBody& body, double s_mm) const {
  if (s_mm <= free_from_mm_ || pieces_.empty())
    return X_channel_ * Eigen::Vector3d(planned_.point_E(s_mm) / scale_);
  const BentBody::Start at = end(body, s_mm);
  const Eigen::Vector3d p(at.across_mm * body.way_.x(), at.across_mm * body.way_.y(), at.along_mm);
  return start_ + R_ * (p / scale_);
}

SweptBody::Rise SweptBody::rise(const BendBox& box) const {
  return {box, bent(box.middle),
          box.middle.norm() + (box.half[0].cwiseAbs() + box.half[1].cwiseAbs()).norm()};
}

SweptBody::Height SweptBody::height(const Rise& rise, double s_mm) const {
  if (s_mm <= free_from_mm_ || pieces_.empty()) return {point(rise.middle, s_mm).z(), {0.0, 0.0}, 0.0};
  const BentBody& body = rise.middle;
  const BentBody::Start at = end(body, s_mm);
  const Eigen::RowVector3d g = R_.row(2) / scale_;
  const Eigen::Vector2d g_across(g.x(), g.y());
  const double aside = g_across.dot(body.way_);
  Height out;
  out.middle_mm = start_.z() + aside * at.across_mm + g.z() * at.along_mm;
  const double within = aside * at.across_mm2 + g.z() * at.along_mm2;
  const double turned = body.kappa_per_mm_ > 0.0 ? at.across_mm / body.kappa_per_mm_ : at.across_mm2;
  const Eigen::Vector2d over(-body.way_.y(), body.way_.x());
  const Eigen::Vector2d slope = within * body.way_ + g_across.dot(over) * turned * over;
  for (std::size_t k = 0; k < 2; ++k) out.slope_mm2[k] = slope.dot(rise.box.half[k].normalized());
  const double beta = rise.kappa_per_mm * at.flexible_mm;
  const double upright = g.z() >= 0.0 ? g.z() * std::cos(std::min(beta, std::numbers::pi)) : g.z();
  out.bend_mm3 = at.square_mm3 * (kTangentAcceleration * g_across.norm() - upright);
  return out;
}

std::optional<BendBox> SweptBody::past_entry(const Rise& rise, double s0_mm, const Height& a, double s1_mm,
                                             const Height& b) const {
  const double ds = s1_mm - s0_mm;
  const double more_mm =
      ds * ds * std::max(frozen_kappa_per_mm_, rise.kappa_per_mm) / (8.0 * scale_) + kHeightRounding_mm;
  const std::array<double, 2> most = {rise.box.half[0].norm(), rise.box.half[1].norm()};
  auto first = where_past(a, most, more_mm);
  const auto second = where_past(b, most, more_mm);
  if (!first && !second) return std::nullopt;
  if (!first) first = second;
  BendBox out = rise.box;
  for (std::size_t k = 0; k < 2; ++k) {
    Span span = (*first)[k];
    if (second) span = {std::min(span.from, (*second)[k].from), std::max(span.to, (*second)[k].to)};
    if (span.from <= -most[k] && span.to >= most[k]) continue;
    const Eigen::Vector2d way = rise.box.half[k].normalized();
    out.middle += 0.5 * (span.from + span.to) * way;
    out.half[k] = 0.5 * (span.to - span.from) * way;
  }
  return out;
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
