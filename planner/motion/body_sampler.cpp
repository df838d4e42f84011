// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/body_sampler.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "geometry/distance/lanes.h"
#include "geometry/distance/rounding.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Flexible stretches are cut so that at the curvature limit half of one turns by no more than this (rad):
/// half of what the series is good for, so that states beyond the limit are still placed.
constexpr double kHalfTurn = 0.5 * kLargestHalfAngle;

/// One region's plane of bending.
struct Plane {
  double kappa = 0.0;
  double cosine = 1.0;
  double sine = 0.0;

  explicit Plane(const Eigen::Vector2d& u) : kappa(u.norm()) {
    if (kappa <= 0.0) return;
    cosine = u.x() / kappa;
    sine = u.y() / kappa;
  }
};

}  // namespace

BodySampler::BodySampler(const Design& design, double spacing_mm, const BodyLoops& loops)
    : design_(&design), loops_(&loops) {
  assert(spacing_mm > 0.0);
  lay_stations(spacing_mm);
  least_radius_ = design.segment().radius_mm;  // no lock is thinner (design.cpp)
  point_error_ = kPointRounding * (design.length_mm() + design.carriage().insertion_max_mm);
}

void BodySampler::lay_stations(double spacing_mm) {
  double at = 0.0;
  int locks = 0;
  const auto flexible = [&](double to) {
    const double turn = design_->segment().curvature_max_per_mm * (to - at);
    const int parts = std::max(1, static_cast<int>(std::ceil(turn / (2.0 * kHalfTurn))));
    const double from = at;
    for (int i = 1; i <= parts; ++i) {
      const double end = from + (to - from) * i / parts;
      add_stretch(at, end, locks, false, spacing_mm);
      at = end;
    }
  };
  for (const RigidSpan& span : design_->rigid_spans()) {
    flexible(span.from_mm);
    // A lock's body is rigid on both sides of its centre, so it does not matter to which region it counts.
    add_stretch(at, span.to_mm, locks, true, spacing_mm);
    at = span.to_mm;
    locks = std::min(locks + 1, design_->lock_count());
  }
  flexible(design_->length_mm());
  stretch_.back().last += 1;
  station_.push_back(design_->length_mm());
  radius_.push_back(static_cast<float>(design_->body_radius(design_->length_mm())));
  offset_.push_back(static_cast<float>(0.5 * (stretch_.back().to_mm - stretch_.back().from_mm)));
  count_ = static_cast<int>(station_.size());
  const std::size_t padded = (station_.size() + kLanes - 1) / kLanes * kLanes;
  stretch_.back().last = static_cast<std::int32_t>(padded);
  station_.resize(padded, station_.back());
  radius_.resize(padded, radius_.back());
  offset_.resize(padded + kLanes, offset_.back());
  station_single_.assign(station_.begin(), station_.end());
}

void BodySampler::add_stretch(double from_mm, double to_mm, int locks_before, bool rigid, double spacing_mm) {
  if (to_mm - from_mm <= kNoLength_mm) return;
  const int parts = std::max(1, static_cast<int>(std::ceil((to_mm - from_mm) / spacing_mm)));
  const double gap = (to_mm - from_mm) / parts;
  largest_gap_ = std::max(largest_gap_, gap);
  const auto first = static_cast<std::int32_t>(station_.size());
  const double middle = 0.5 * (from_mm + to_mm);
  const double own = design_->body_radius(from_mm + 0.5 * gap);
  for (int i = 0; i < parts; ++i) {
    const double s = from_mm + gap * i;
    double radius = own;
    if (i == 0 && !stretch_.empty()) radius = std::max(radius, stretch_.back().radius_mm);
    station_.push_back(s);
    radius_.push_back(static_cast<float>(radius));
    offset_.push_back(static_cast<float>(s - middle));
  }
  stretch_.push_back(
      {from_mm, to_mm, locks_before, rigid, own, first, static_cast<std::int32_t>(station_.size())});
}

BodyPoints BodySampler::make_points() const {
  const std::size_t room = radius_.size() + kLanes;
  BodyPoints points;
  for (std::vector<float>* v : {&points.x, &points.y, &points.z, &points.slack, &points.lower})
    v->assign(room, 0.0F);
  return points;
}

BodySampler::Bends BodySampler::bends_of(const State& state, double exposed_from_mm) const {
  Bends bends;
  int region = 0;
  double from = 0.0;
  bends.region[0] = 0;
  for (int lock = 0; lock < design_->lock_count(); ++lock) {
    const auto k = static_cast<std::size_t>(lock);
    if (state.engaged.test(k)) {
      const auto r = static_cast<std::size_t>(region);
      const double to = design_->station_mm(lock);
      const double start = std::max(from, exposed_from_mm);
      const double flexible = start < to ? design_->flexible_length(start, to) : 0.0;
      bends.u[r] = Eigen::Vector2d::Zero();
      if (flexible > kNoLength_mm) bends.u[r] = state.theta_frozen[r] / flexible;
      from = to;
      ++region;
    }
    bends.region[k + 1] = region;
  }
  bends.u[static_cast<std::size_t>(region)] = state.u_free;
  return bends;
}

void BodySampler::place(const State& state, BodyPoints& points) const {
  const double exposed = first_exposed_station(*design_, state.insertion_mm);
  const Bends bends = bends_of(state, exposed);
  const std::int32_t first = place_hidden(exposed, points);
  // Many full turns: no segment that one would build, but a design that may be asked about.
  if (stretch_.size() > kMaxStretches) return place_by_shape(state, points);
  std::array<BodyArc, kMaxStretches> arcs;
  std::int32_t count = 0;
  int region = -1;
  Plane plane(Eigen::Vector2d::Zero());
  for (const Stretch& stretch : stretch_) {
    if (stretch.to_mm <= exposed) continue;
    const double from = std::max(stretch.from_mm, exposed);
    BodyArc& arc = arcs[static_cast<std::size_t>(count++)];
    arc.first = std::max(stretch.first, first);
    arc.last = stretch.last;
    arc.shift = static_cast<float>(0.5 * (stretch.from_mm - from));
    arc.half = 0.5 * (stretch.to_mm - from);
    arc.kappa = 0.0;
    arc.turn_cos = 1.0;
    arc.turn_sin = 0.0;
    if (stretch.rigid) continue;
    if (const int next = bends.region[static_cast<std::size_t>(stretch.locks_before)]; next != region) {
      const Plane turned(bends.u[static_cast<std::size_t>(next)]);
      arc.turn_cos = turned.cosine * plane.cosine + turned.sine * plane.sine;
      arc.turn_sin = turned.sine * plane.cosine - turned.cosine * plane.sine;
      plane = turned;
      region = next;
    }
    arc.kappa = plane.kappa;
    if (arc.kappa * arc.half > kLargestHalfAngle) return place_by_shape(state, points);
  }
  const double start = state.insertion_mm - design_->length_mm() + exposed;
  loops_->points(arcs.data(), count, start, offset_.data(), points.x.data(), points.y.data(),
                 points.z.data());
}

/// Stations inside the guide, on the axis and behind the entry plane. Returns the first one that is not.
std::int32_t BodySampler::place_hidden(double exposed_mm, BodyPoints& points) const {
  // With the whole body inside, the tip (and its copies) are hidden as well.
  const bool all = exposed_mm >= design_->length_mm();
  const auto end = station_.begin() + count_;
  const auto first =
      all ? station_.size()
          : static_cast<std::size_t>(std::lower_bound(station_.begin(), end, exposed_mm) - station_.begin());
  std::fill_n(points.x.begin(), first, 0.0F);
  std::fill_n(points.y.begin(), first, 0.0F);
  for (std::size_t j = 0; j < first; ++j) points.z[j] = static_cast<float>(station_[j] - exposed_mm);
  return static_cast<std::int32_t>(first);
}

void BodySampler::allow(const BodyAllowance& allowance, BodyPoints& points) const {
  // A station as a float, and its distance from where an allowance starts, may each be off by kFloatUnit of
  // the length: the start is moved back by as much.
  const double back = 2.0 * kFloatUnit * design_->length_mm();
  BodyAllowance padded = allowance;
  padded.least = float_above((static_cast<double>(allowance.least) + point_error_) * kSlackRounding);
  padded.turning = float_above(static_cast<double>(allowance.turning) * kSlackRounding);
  padded.turning_reach = float_above(static_cast<double>(allowance.turning_reach) + back);
  padded.bending = float_above(static_cast<double>(allowance.bending) * kSlackRounding);
  padded.exposed_from = float_below(static_cast<double>(allowance.exposed_from) - back);
  padded.bending_from = float_below(static_cast<double>(allowance.bending_from) - back);
  loops_->allowances(padded, station_single_.data(), padded_count(), points.slack.data());
}

void BodySampler::place_by_shape(const State& state, BodyPoints& points) const {
  const Shape shape(*design_, state);
  for (std::size_t j = 0; j < station_.size(); ++j) {
    const Eigen::Vector3d p = shape.point_E(station_[j]);
    points.x[j] = static_cast<float>(p.x());
    points.y[j] = static_cast<float>(p.y());
    points.z[j] = static_cast<float>(p.z());
  }
}

std::vector<Eigen::Vector3d> BodySampler::reference_points(const State& state) const {
  const Shape shape(*design_, state);
  std::vector<Eigen::Vector3d> points;
  for (int j = 0; j < count_; ++j) points.push_back(shape.point_E(station_mm(j)));
  return points;
}

}  // namespace withy
