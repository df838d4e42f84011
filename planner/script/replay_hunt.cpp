// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/replay_hunt.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "planner/plan/lock_hunt.h"

namespace withy {
namespace {

/// Rays that a spiral is looked at along: more than its corners, so that each chord crosses one.
constexpr int kRays = 720;

/// Share of the window that chords, the script's rounding and this check's own arithmetic may lose (hunt.h
/// keeps chords to a twentieth).
constexpr double kLostShare = 0.1;

double cross(const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  return a.x() * b.y() - a.y() * b.x();
}

/// Distances from the centre at which the track crosses the ray along `e`, sorted, the centre among them.
std::vector<double> crossings(const std::vector<Eigen::Vector2d>& track, const Eigen::Vector2d& e) {
  std::vector<double> at = {0.0};
  for (std::size_t i = 0; i + 1 < track.size(); ++i) {
    const double a = cross(e, track[i]);
    const double b = cross(e, track[i + 1]);
    if (a * b > 0.0 || a == b) continue;
    const double along = e.dot(track[i] + a / (a - b) * (track[i + 1] - track[i]));
    if (along > 0.0) at.push_back(along);
  }
  std::sort(at.begin(), at.end());
  return at;
}

double widest_gap(const std::vector<double>& at) {
  double widest = 0.0;
  for (std::size_t i = 0; i + 1 < at.size(); ++i) widest = std::max(widest, at[i + 1] - at[i]);
  return widest;
}

ReplayFinding short_of(int lock, double reached_mm, double radius_mm) {
  return {ReplayCause::hunt,
          fmt::format("the sweep for lock {} goes {:.4f} mm of slide from the planned bend", lock + 1,
                      reached_mm),
          fmt::format("go {} mm to every side", radius_mm)};
}

/// A line must go out to the radius on both sides of the centre.
std::optional<ReplayFinding> check_line(int lock, const HuntTrack& wanted, double lost_mm,
                                        const std::vector<Eigen::Vector2d>& track) {
  for (const std::size_t end : {std::size_t{1}, std::size_t{2}}) {
    const Eigen::Vector2d e = wanted.slide_mm[end].normalized();
    double farthest = 0.0;
    for (const Eigen::Vector2d& w : track) farthest = std::max(farthest, e.dot(w));
    if (farthest < wanted.radius_mm - lost_mm) return short_of(lock, farthest, wanted.radius_mm);
  }
  return std::nullopt;
}

std::optional<ReplayFinding> check_spiral(int lock, const HuntTrack& wanted, double window_mm,
                                          const std::vector<Eigen::Vector2d>& track) {
  const double lost = kLostShare * window_mm;
  for (int k = 0; k < kRays; ++k) {
    const double angle = 2.0 * std::numbers::pi * k / kRays;
    const auto at = crossings(track, {std::cos(angle), std::sin(angle)});
    if (at.back() < wanted.radius_mm - lost) return short_of(lock, at.back(), wanted.radius_mm);
    const double allowed = std::numbers::sqrt2 * window_mm + lost;
    if (widest_gap(at) > allowed)
      return ReplayFinding{
          ReplayCause::hunt,
          fmt::format("the turns of the sweep for lock {} are {:.4f} mm apart", lock + 1, widest_gap(at)),
          fmt::format("keep them within {:.4f} mm", std::numbers::sqrt2 * window_mm)};
  }
  return std::nullopt;
}

}  // namespace

Eigen::Vector2d slide_of_sweep(const Design& design, const State& centre, int lock, const State& now) {
  const Region free = regions_of(design, centre).back();
  const double proximal =
      exposed_flexible_length(design, centre.insertion_mm, free.from_mm, design.station_mm(lock));
  return design.latch()->backbone_radius_mm * proximal * (now.u_free - centre.u_free);
}

std::optional<ReplayFinding> check_hunt_covers(const Design& design, const State& centre, int lock,
                                               const std::vector<Eigen::Vector2d>& slide_mm) {
  const HuntTrack wanted = lock_hunt_track(design, centre, lock);
  const double window = design.latch()->engage_window_mm;
  if (wanted.shape == HuntShape::line) return check_line(lock, wanted, kLostShare * window, slide_mm);
  return check_spiral(lock, wanted, window, slide_mm);
}

}  // namespace withy
