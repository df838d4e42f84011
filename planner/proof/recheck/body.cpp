// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/body.h"

#include <algorithm>
#include <cmath>
#include <type_traits>

namespace withy::recheck {
namespace {

double lower(double x) {
  return x;
}
double lower(const Interval& x) {
  return x.lo;
}
double upper(double x) {
  return x;
}
double upper(const Interval& x) {
  return x.hi;
}
double larger(double a, double b) {
  return std::max(a, b);
}
Interval larger(const Interval& a, const Interval& b) {
  return max(a, b);
}

/// A number of the box's reference: exact as an interval, or its middle.
template <class T>
T as(const Interval& x) {
  if constexpr (std::is_same_v<T, Interval>)
    return x;
  else
    return x.middle();
}

/// Stations lie this many radii apart.
constexpr double kStationSpacing = 1.0;
// And the outermost of a piece this far (mm) off its ends.
constexpr double kOffEnd_mm = 1e-7;

}  // namespace

double half_diagonal(const Interval2& box) {
  const Interval x(box[0].radius());
  const Interval y(box[1].radius());
  return box[0].lo == box[0].hi && box[1].lo == box[1].hi ? 0.0 : sqrt(square(x) + square(y)).hi;
}

Interval length(const Interval2& box) {
  return sqrt(square(box[0]) + square(box[1]));
}

Body::Body(const Robot& robot, std::vector<int> engaged) : robot_(&robot), engaged_(std::move(engaged)) {
  const Interval end(robot.segment.length_mm);
  Interval at(0.0);
  int region = 0;
  const auto add = [&](const Interval& to, bool rigid, double radius) {
    if (to.hi > at.lo) pieces_.push_back({at, to, rigid, region, radius});
    at = to;
  };
  for (int lock = 0; lock < robot.lock_count(); ++lock) {
    const Interval station(robot.layout.station_mm[static_cast<std::size_t>(lock)]);
    const Interval half = Interval(robot.lock->body_length_mm) * Interval(0.5);
    add(station - half, false, robot.segment.radius_mm);
    lock_piece_.push_back(pieces_.size());
    if (std::find(engaged_.begin(), engaged_.end(), lock) != engaged_.end()) {
      add(station, true, robot.lock->body_radius_mm);
      ++region;
    }
    add(station + half, true, robot.lock->body_radius_mm);
  }
  add(end - Interval(robot.segment.tip_rigid_mm), false, robot.segment.radius_mm);
  add(end, true, robot.segment.radius_mm);
  const double spacing = kStationSpacing * robot.segment.radius_mm;
  for (std::size_t i = 0; i < pieces_.size(); ++i) {
    const double from = pieces_[i].from_mm.hi;
    const double span = pieces_[i].to_mm.lo - from;
    if (!(span > 0.0)) continue;
    const int parts = std::max(1, static_cast<int>(std::ceil(span / spacing)));
    for (int k = 0; k <= parts; ++k) {
      const double s = from + std::clamp(span * k / parts, std::min(kOffEnd_mm, 0.5 * span),
                                         span - std::min(kOffEnd_mm, 0.5 * span));
      if (s > from && s < pieces_[i].to_mm.lo) stations_.push_back({s, pieces_[i].radius_mm, i});
    }
  }
}

Interval Body::region_start(std::size_t r) const {
  return r == 0 ? Interval(0.0) : region_end(r - 1);
}

Interval Body::region_end(std::size_t r) const {
  return r < engaged_.size() ? Interval(robot_->layout.station_mm[static_cast<std::size_t>(engaged_[r])])
                             : Interval(robot_->segment.length_mm);
}

Interval Body::flexible_between(const Interval& from, const Interval& to, const Interval& d) const {
  const Interval zero(0.0);
  const Interval first = robot_->guide ? max(zero, Interval(robot_->segment.length_mm) - d) : zero;
  const Interval start = max(from, first);
  Interval sum(0.0);
  for (const Piece& piece : pieces_) {
    if (piece.rigid) continue;
    const Interval a = max(piece.from_mm, start);
    const Interval b = min(piece.to_mm, to);
    if (b.hi > a.lo) sum = sum + max(zero, b - a);
  }
  return sum;
}

Interval Body::flexible(std::size_t r, const Interval& d) const {
  return flexible_between(region_start(r), region_end(r), d);
}

template <class T>
Placed<T>::Placed(const Body& body, const StateBox& box) : body_(&body) {
  const Robot& robot = body.robot();
  const T d(box.d_hi);
  const T L(robot.segment.length_mm);
  for (std::size_t r = 0; r < box.theta.size(); ++r) {
    const Interval f = body.flexible(r, Interval(box.d_hi));
    if (f.lo > 0.0)
      u_.push_back(
          {as<T>(Interval(box.theta[r][0].middle()) / f), as<T>(Interval(box.theta[r][1].middle()) / f)});
    else
      u_.push_back({T(0.0), T(0.0)});
  }
  u_.push_back({T(box.u[0].middle()), T(box.u[1].middle())});
  const T zero(0.0);
  first_ = robot.guide ? larger(zero, L - d) : zero;
  Frame<T> frame;
  frame.R = {T(1.0), zero, zero, zero, T(1.0), zero, zero, zero, T(1.0)};
  frame.p = {zero, zero, robot.guide ? larger(zero, d - L) : d - L};
  for (const Piece& piece : body.pieces()) {
    const T from = larger(first_, as<T>(piece.from_mm));
    at_.push_back(frame);
    start_.push_back(from);
    if (upper(as<T>(piece.to_mm)) > lower(from))
      frame = after(frame, u_[static_cast<std::size_t>(piece.region)],
                    larger(zero, T(as<T>(piece.to_mm) - from)), piece.rigid);
  }
  at_.push_back(frame);
}

/// Follows a straight span, or the arc of curvature u:
///     p += A [C ux, C uy, a],  a = l sinc(kl),  C = l^2 (1 - cos kl) / (kl)^2 = l^2 sinc(kl / 2)^2 / 2,
///     A *= I + a [w]x + C [w]x^2,  w = (-uy, ux, 0).
template <class T>
Frame<T> after(const Frame<T>& frame, const std::array<T, 2>& u, const T& length, bool straight) {
  Frame<T> out = frame;
  const auto& R = frame.R;
  if (straight || (upper(u[0]) == 0.0 && lower(u[0]) == 0.0 && upper(u[1]) == 0.0 && lower(u[1]) == 0.0)) {
    for (std::size_t i = 0; i < 3; ++i) out.p[i] = frame.p[i] + R[3 * i + 2] * length;
    return out;
  }
  const T l2 = square(length);
  const T k2 = square(u[0]) + square(u[1]);
  const T q = k2 * l2;
  const T a = length * sinc_of_square(q);
  const T C = T(0.5) * l2 * square(sinc_of_square(T(T(0.25) * q)));
  const std::array<T, 3> step = {C * u[0], C * u[1], a};
  const T xy = -(C * u[0] * u[1]);
  const std::array<T, 9> B = {T(1.0) - C * square(u[0]),
                              xy,
                              a * u[0],
                              xy,
                              T(1.0) - C * square(u[1]),
                              a * u[1],
                              -(a * u[0]),
                              -(a * u[1]),
                              T(1.0) - C * k2};
  for (std::size_t i = 0; i < 3; ++i) {
    out.p[i] = frame.p[i] + (R[3 * i] * step[0] + R[3 * i + 1] * step[1] + R[3 * i + 2] * step[2]);
    for (std::size_t j = 0; j < 3; ++j)
      out.R[3 * i + j] = R[3 * i] * B[j] + R[3 * i + 1] * B[3 + j] + R[3 * i + 2] * B[6 + j];
  }
  return out;
}

template <class T>
std::array<T, 3> Placed<T>::point(double s_mm, std::size_t piece) const {
  const Piece& p = body_->pieces()[piece];
  const T along = T(s_mm) - start_[piece];
  // In the guide, on the axis.
  if (upper(along) < 0.0) return {T(0.0), T(0.0), T(s_mm) - first_};
  std::array<T, 3> out =
      after(at_[piece], u_[static_cast<std::size_t>(p.region)], larger(T(0.0), along), p.rigid).p;
  // Where rounding leaves open whether the station lies before the piece, it is no farther from its start.
  if constexpr (std::is_same_v<T, Interval>)
    if (along.lo < 0.0)
      for (Interval& x : out) x = x + Interval(along.lo, -along.lo);
  return out;
}

template Frame<double> after(const Frame<double>&, const std::array<double, 2>&, const double&, bool);
template Frame<Interval> after(const Frame<Interval>&, const std::array<Interval, 2>&, const Interval&, bool);
template class Placed<double>;
template class Placed<Interval>;

Reach::Reach(const Body& body, const StateBox& box) : body_(&body) {
  const Robot& robot = body.robot();
  along_ = next_up(box.d_hi - box.d_lo);
  if (box.d_hi == box.d_lo) along_ = 0.0;
  first_exposed_ = robot.guide ? std::max(0.0, next_down(robot.segment.length_mm - box.d_hi)) : 0.0;
  h_u_ = half_diagonal(box.u);
  const Interval hi(box.d_hi);
  const Interval lo(box.d_lo);
  const std::size_t free = body.frozen_count();
  for (std::size_t r = 0; r < free; ++r) {
    const double h = half_diagonal(box.theta[r]);
    const Interval f = body.flexible(r, hi);
    const auto zero = [](const Interval& x) { return x.lo == 0.0 && x.hi == 0.0; };
    if (f.lo > 0.0 || (zero(box.theta[r][0]) && zero(box.theta[r][1]))) {
      h_theta_.push_back(h);
      per_length_.push_back(h == 0.0 ? 0.0 : next_up(h / f.lo));
      hidden_turn_.push_back(0.0);
      continue;
    }
    // Straight in the reference; a legal state bends by no more than its limit over what is out.
    const double most = robot.segment.curvature_max_per_mm * (1.0 + 2e-9) * f.hi * kRoundedUp;
    h_theta_.push_back(most);
    per_length_.push_back(0.0);
    hidden_turn_.push_back(most);
  }
  if (!robot.guide || along_ == 0.0) return;
  for (std::size_t r = 0; r <= free; ++r) {
    const Interval f = body.flexible(r, hi);
    const double g = (f - body.flexible(r, lo)).hi;
    if (!(g > 0.0)) continue;
    if (r == free) {
      entry_turn_ += length(box.u).hi * g;
      continue;
    }
    const double bend = length(box.theta[r]).hi;
    // Past the curvature limit no state is legal, and f is largest at d_hi.
    const double k =
        std::min(robot.segment.curvature_max_per_mm * (1.0 + 2e-9), f.lo > 0.0 ? bend / f.lo : kInfinity);
    if (bend > 0.0) entry_turn_ += 2.0 * k * g;
  }
  entry_turn_ *= kRoundedUp;
}

/// Integral of (s - t) over the exposed flexible part of a region up to s.
double Reach::lever(std::size_t region, double s_mm) const {
  double sum = 0.0;
  for (const Piece& piece : body_->pieces()) {
    if (piece.rigid || static_cast<std::size_t>(piece.region) != region) continue;
    const double a = std::max(piece.from_mm.lo, first_exposed_);
    const double b = std::min(piece.to_mm.hi, s_mm);
    if (b > a) sum += (b - a) * (s_mm - 0.5 * (a + b));
  }
  return sum * kRoundedUp;
}

double Reach::by_insertion(double s_mm) const {
  return entry_turn_ * std::max(0.0, s_mm - first_exposed_) * kRoundedUp;
}
double Reach::by_curvature(double s_mm) const {
  return h_u_ == 0.0 ? 0.0 : h_u_ * lever(body_->frozen_count(), s_mm) * kRoundedUp;
}
double Reach::by_frozen(std::size_t r, double s_mm) const {
  const double hidden = hidden_turn_[r] * s_mm * kRoundedUp;
  return per_length_[r] == 0.0 ? hidden : per_length_[r] * lever(r, s_mm) * kRoundedUp;
}

double Reach::aside(double s_mm) const {
  double sum = by_insertion(s_mm) + by_curvature(s_mm);
  for (std::size_t r = 0; r < per_length_.size(); ++r) sum += by_frozen(r, s_mm);
  return sum * kRoundedUp;
}

double Reach::turn(double s_mm) const {
  double sum = entry_turn_;
  if (h_u_ > 0.0)
    for (const Piece& piece : body_->pieces())
      if (!piece.rigid && static_cast<std::size_t>(piece.region) == body_->frozen_count())
        sum += h_u_ *
               std::max(0.0, std::min(s_mm, piece.to_mm.hi) - std::max(piece.from_mm.lo, first_exposed_)) *
               kRoundedUp;
  for (std::size_t r = 0; r < h_theta_.size(); ++r)
    if (body_->region_start(r).lo < s_mm) sum += h_theta_[r];
  return sum * kRoundedUp;
}

Ball ball_of(const std::array<Interval, 3>& reference, double along, double aside) {
  Ball ball;
  double spread2 = 0.0;
  for (std::size_t i = 0; i < 3; ++i) {
    ball.centre[static_cast<Eigen::Index>(i)] = reference[i].middle();
    spread2 += reference[i].radius() * reference[i].radius();
  }
  // The middle of the segment along z; the subtraction may round by its last place.
  const double z = ball.centre.z();
  ball.centre.z() = z - 0.5 * along;
  const double rounding = (std::abs(z) + along) * 0x1p-52;
  ball.radius = (0.5 * along + aside + std::sqrt(spread2) * kRoundedUp + rounding) * kRoundedUp;
  return ball;
}

}  // namespace withy::recheck
