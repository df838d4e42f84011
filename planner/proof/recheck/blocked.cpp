// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/blocked.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <fmt/format.h>

namespace withy::recheck {
namespace {

// The shaft on the axis is looked at this far apart.
constexpr double kShaftStep_mm = 0.25;
// A station that the box moves by less (mm) is told no more about by cutting.
constexpr double kWorthCutting_mm = 1e-3;

Eigen::Vector3d middle_of(const std::array<double, 3>& p) {
  return {p[0], p[1], p[2]};
}

}  // namespace

Blocked::Blocked(const Robot& robot, const Wall& wall, const Limits& limits, const FieldLimits* field,
                 bool use_clearance)
    : robot_(robot),
      wall_(wall),
      limits_(limits),
      magnets_(field != nullptr && field->may_push_off() ? field : nullptr),
      use_clearance_(use_clearance),
      shaft_blocked_from_mm_(kInfinity) {
  if (use_clearance) find_shaft();
}

/// The shaft stands on the axis: where it touches once it does so at every greater depth.
void Blocked::find_shaft() {
  const double depth = robot_.insertion_max_mm - robot_.segment.length_mm;
  const double need = robot_.segment.radius_mm + robot_.clearance_mm;
  for (double z = kShaftStep_mm; z <= depth; z += kShaftStep_mm)
    if (wall_.below_in({{0.0, 0.0, z}, 0.0}, need)) {
      shaft_blocked_from_mm_ = z;
      return;
    }
}

bool Blocked::shaft_blocked(const StateBox& box) const {
  return next_down(box.d_lo - robot_.segment.length_mm) >= shaft_blocked_from_mm_;
}

bool Blocked::limit_broken_by(const Body& body, const StateBox& box) const {
  return limits_.broken_by(body, box) || (magnets_ != nullptr && magnets_->pushed_off(body, box) >= 0);
}

Blocked::Look Blocked::look(const Body& body, const StateBox& box) const {
  looks_.fetch_add(1, std::memory_order_relaxed);
  Look out;
  out.station_mm = robot_.segment.length_mm;
  if (limit_broken_by(body, box) || (use_clearance_ && shaft_blocked(box))) {
    out.blocked = true;
    return out;
  }
  out.roomy = true;
  if (!use_clearance_) return out;
  const Reach reach(body, box);
  std::array<Candidate, kCandidates> best = candidates(body, box, reach, out);
  const Placed<Interval> proof(body, box);
  for (const Candidate& candidate : best) {
    if (candidate.station == nullptr || candidate.margin > wall_.grain_mm()) break;
    const Body::Station& station = *candidate.station;
    const Ball ball =
        ball_of(proof.point(station.s_mm, station.piece), reach.along_mm(), reach.aside(station.s_mm));
    if (!(next_down(ball.centre.z() - ball.radius) > 0.0)) continue;
    out.blocked = wall_.below_in(ball, next_down(station.radius_mm + robot_.clearance_mm));
    if (out.blocked) break;
  }
  return out;
}

/// The stations that most likely touch in every state, the likeliest first; and what else a look tells.
std::array<Blocked::Candidate, Blocked::kCandidates> Blocked::candidates(const Body& body,
                                                                         const StateBox& box,
                                                                         const Reach& reach,
                                                                         Look& out) const {
  std::array<Candidate, kCandidates> best{};
  const Placed<double> guess(body, box);
  const double half = 0.5 * reach.along_mm();
  double nearest = kInfinity;
  double nearest_moved = 0.0;
  for (const Body::Station& station : body.stations()) {
    Eigen::Vector3d p = middle_of(guess.point(station.s_mm, station.piece));
    p.z() -= half;
    if (p.z() <= 0.0) continue;
    const double room = wall_.guess(p) - station.radius_mm - robot_.clearance_mm;
    nearest = std::min(nearest, room);
    const double r = half + reach.aside(station.s_mm);
    // Cutting tells most about a station that the box moves and that touches in its middle.
    if (r > kWorthCutting_mm && room < nearest_moved) {
      nearest_moved = room;
      out.station_mm = station.s_mm;
    }
    if (p.z() - r <= 0.0) continue;
    Candidate candidate{&station, room + r};
    for (Candidate& kept : best)
      if (kept.station == nullptr || candidate.margin < kept.margin) std::swap(kept, candidate);
  }
  out.roomy = nearest > 0.0;
  return best;
}

double Blocked::margin_guess(const Body& body, const StateBox& state) const {
  const bool keeps =
      limits_.may_be_kept_by(body, state) && (magnets_ == nullptr || magnets_->surely_rest(body, state));
  if (!keeps) return -kInfinity;
  if (!use_clearance_) return kInfinity;
  Look ignored;
  const Candidate nearest = candidates(body, state, Reach(body, state), ignored)[0];
  return nearest.station == nullptr ? kInfinity : nearest.margin;
}

double Blocked::clearance_lower(const Body& body, const StateBox& state, double step_mm) const {
  const Placed<Interval> placed(body, state);
  const Reach reach(body, state);
  double least = kInfinity;
  const auto take = [&](const Ball& ball, double gap, double radius) {
    if (ball.centre.z() + ball.radius + gap <= 0.0) return;
    Eigen::Vector3d p = ball.centre;
    double moved = 0.0;
    if (p.z() <= 0.0) {
      // What is past the entry plane about here lies within the gap.
      moved = -p.z() + 1e-3;
      p.z() = 1e-3;
    }
    least = std::min(least, wall_.lower(p) - moved - ball.radius - gap - radius);
  };
  for (std::size_t i = 0; i < body.pieces().size(); ++i) {
    const Piece& piece = body.pieces()[i];
    const double span = piece.to_mm.hi - piece.from_mm.lo;
    const int parts = std::max(1, static_cast<int>(std::ceil(span / step_mm)));
    const double gap = 0.5 * span / parts * kRoundedUp + 1e-12;
    for (int k = 0; k < parts; ++k) {
      const double s = piece.from_mm.lo + span * (k + 0.5) / parts;
      take(ball_of(placed.point(s, i), reach.along_mm(), reach.aside(s)), gap, piece.radius_mm);
    }
  }
  for (double z = 0.5 * step_mm; z < state.d_hi - robot_.segment.length_mm; z += step_mm)
    take({{0.0, 0.0, z}, 0.0}, 0.5 * step_mm, robot_.segment.radius_mm);
  return least;
}

bool Blocked::surely_legal(const Body& body, const StateBox& box) const {
  const StateBox state = middle_of(box);
  if (!limits_.may_be_kept_by(body, state)) return false;
  if (magnets_ != nullptr && !magnets_->surely_rest(body, state)) return false;
  return !use_clearance_ ||
         clearance_lower(body, state, 0.25 * robot_.segment.radius_mm) >= robot_.clearance_mm;
}

int coordinate_count(const StateBox& box) {
  return 3 + 2 * static_cast<int>(box.theta.size());
}

Interval coordinate(const StateBox& box, int k) {
  if (k == 0) return {box.d_lo, box.d_hi};
  if (k < 3) return box.u[static_cast<std::size_t>(k - 1)];
  return box.theta[static_cast<std::size_t>(k - 3) / 2][static_cast<std::size_t>(k - 3) % 2];
}

void set_coordinate(StateBox& box, int k, const Interval& x) {
  if (k == 0) {
    box.d_lo = x.lo;
    box.d_hi = x.hi;
  } else if (k < 3) {
    box.u[static_cast<std::size_t>(k - 1)] = x;
  } else {
    box.theta[static_cast<std::size_t>(k - 3) / 2][static_cast<std::size_t>(k - 3) % 2] = x;
  }
}

StateBox middle_of(const StateBox& box) {
  StateBox out = box;
  for (int k = 0; k < coordinate_count(box); ++k)
    set_coordinate(out, k, Interval(coordinate(box, k).middle()));
  return out;
}

Widest widest(const Body& body, const StateBox& box, double station_mm) {
  const Reach reach(body, box);
  Widest best;
  const auto offer = [&](int k, double share) {
    const Interval x = coordinate(box, k);
    if (!(x.middle() > x.lo && x.middle() < x.hi)) return;  // nothing between its ends
    if (best.coordinate < 0 || share > best.share_mm) best = {k, share};
  };
  const auto offer_pair = [&](int k, double share) {
    const double w0 = coordinate(box, k).hi - coordinate(box, k).lo;
    const double w1 = coordinate(box, k + 1).hi - coordinate(box, k + 1).lo;
    offer(w0 >= w1 ? k : k + 1, share);
  };
  offer(0, 0.5 * reach.along_mm() + reach.by_insertion(station_mm));
  offer_pair(1, reach.by_curvature(station_mm));
  for (std::size_t r = 0; r < box.theta.size(); ++r)
    offer_pair(3 + 2 * static_cast<int>(r), reach.by_frozen(r, station_mm));
  return best;
}

std::string words(const Body& body, const StateBox& box) {
  std::string out = fmt::format("insertion {:.9g} mm, free curvature ({:.9g}, {:.9g}) per mm",
                                0.5 * (box.d_lo + box.d_hi), box.u[0].middle(), box.u[1].middle());
  for (std::size_t r = 0; r < box.theta.size(); ++r)
    out += fmt::format(", lock {} holding ({:.9g}, {:.9g}) rad", body.engaged()[r] + 1,
                       box.theta[r][0].middle(), box.theta[r][1].middle());
  return out;
}

}  // namespace withy::recheck
