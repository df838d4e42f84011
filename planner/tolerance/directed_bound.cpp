// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/directed_bound.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"

namespace withy {
namespace {

// Parallels of directions, and twice as many meridians, 3 degrees apart: no direction is further than half a
// spacing's diagonal from one of them, which costs the bound 7 in ten thousand.
constexpr int kParallels = 60;
constexpr double kNoLength = 1e-12;

/// max over the triangle's corners v of n . v + sigma |n . v|.
double reach_of(const WallTriangle& triangle, const Eigen::Vector3d& n, double sigma) {
  double most = -kInfinity;
  for (const Eigen::Vector3d& v : triangle) most = std::max(most, n.dot(v) + sigma * std::abs(n.dot(v)));
  return most;
}

/// What the rotations do past first order, and to the displacement of the bends.
double turned_further(const ErrorBounds& errors, double bent_mm, double from_entry_mm,
                      double from_centre_mm) {
  const double alpha = errors.entry_rad;
  const double rho = errors.registration_rad;
  return 0.5 * alpha * alpha * from_entry_mm + 0.5 * rho * rho * from_centre_mm + chord(alpha) * bent_mm +
         chord(rho) * (bent_mm + chord(alpha) * from_entry_mm + errors.entry_mm);
}

double second_order(const BendLevers& levers, const ErrorBounds& errors) {
  return levers.second_order(errors.backlash_rad, errors.pull_gain, errors.offset_rad);
}

/// All that the bound of a cell loses besides its corners' first order.
double past_first_order(const MotionCell& cell, const CellCorners& corners, const ErrorBounds& errors) {
  return second_order(cell.levers, errors) +
         corners.between.first_order(errors.backlash_rad, errors.pull_gain, errors.offset_rad) +
         turned_further(errors, errors.bent(cell.levers), cell.from_entry_mm, cell.from_centre_mm) +
         corners.bulge_mm * (1.0 + errors.entry_rad + errors.registration_rad);
}

}  // namespace

double chord(double angle_rad) {
  return 2.0 * std::sin(0.5 * std::min(angle_rad, std::numbers::pi));
}

void ErrorBounds::take_chords() {
  entry_chord = chord(entry_rad);
  registration_chord = chord(registration_rad);
}

double ErrorBounds::moved(const BendLevers& levers, double from_entry_mm, double from_centre_mm) const {
  return bent(levers) + entry_mm + entry_chord * from_entry_mm + registration_mm +
         registration_chord * from_centre_mm;
}

ErrorBounds ErrorBounds::with(const HuntSweep& sweep) const {
  ErrorBounds out = *this;
  // The gain counts for what is swept too.
  out.swept_rad = (1.0 + pull_gain) * sweep.bend_rad;
  out.swept_line = sweep.line;
  out.offset_rad += out.swept_rad;
  return out;
}

/// n . p - H_n(p) at one corner.
double DirectedBound::along(const Eigen::Vector3d& n, const BendDirections& at,
                            const ErrorBounds& errors) const {
  double lost = errors.entry_mm + errors.registration_mm + errors.pull_gain * std::abs(at.gain.dot(n));
  for (const BendDirections::Matrix32& lock : at.at_lock)
    lost += errors.backlash_rad * (lock.transpose() * n).norm();
  const Eigen::Vector2d free = at.free.transpose() * n;
  for (Eigen::Index k = 0; k < bend_per_pull_.cols(); ++k)
    lost += errors.offset_mm * std::abs(bend_per_pull_.col(k).dot(free));
  lost +=
      errors.swept_rad * (errors.swept_line.isZero() ? free.norm() : std::abs(errors.swept_line.dot(free)));
  lost += errors.entry_rad * at.point_E.cross(n).norm() +
          errors.registration_rad * (at.point_E - centre_E_).cross(n).norm();
  return n.dot(at.point_E) - lost;
}

/// The displacement z of first order that errors may do with the least n . z.
Eigen::Vector3d DirectedBound::worst_against(const Eigen::Vector3d& n, const BendDirections& at,
                                             const ErrorBounds& errors) const {
  const auto way = [](const auto& v) { return (v / std::max(v.norm(), kNoLength)).eval(); };
  Eigen::Vector3d z = (errors.entry_mm + errors.registration_mm) * n;
  z += std::copysign(errors.pull_gain, at.gain.dot(n)) * at.gain;
  for (const BendDirections::Matrix32& lock : at.at_lock)
    z += errors.backlash_rad * lock * way(Eigen::Vector2d(lock.transpose() * n));
  const Eigen::Vector2d free = at.free.transpose() * n;
  for (Eigen::Index k = 0; k < bend_per_pull_.cols(); ++k) {
    const Eigen::Vector2d bend = bend_per_pull_.col(k);
    z += std::copysign(errors.offset_mm, bend.dot(free)) * (at.free * bend);
  }
  if (errors.swept_line.isZero())
    z += errors.swept_rad * (at.free * way(free));
  else
    z += std::copysign(errors.swept_rad, errors.swept_line.dot(free)) * (at.free * errors.swept_line);
  const auto turned = [&](const Eigen::Vector3d& p) {
    return way(Eigen::Vector3d(p.cross(n))).cross(p).eval();
  };
  z += errors.entry_rad * turned(at.point_E) + errors.registration_rad * turned(at.point_E - centre_E_);
  return -z;
}

/// How far the triangle stays away from the cell, to first order; or `enough_mm` if that is less.
double DirectedBound::room_to(const WallTriangle& triangle, const CellCorners& corners,
                              const ErrorBounds& errors, double enough_mm) const {
  double best = -kInfinity;
  // Where the body may come to, the triangle standing still: its growth is put on the body, as if it were all
  // at its middle.
  Eigen::Vector3d x = corners.middle_E;
  const Eigen::Vector3d grown = errors.lumen_scale / 3.0 * (triangle[0] + triangle[1] + triangle[2]);
  for (int step = 0; step < shares::kDirectionSteps && best < enough_mm; ++step) {
    const Eigen::Vector3d way = x - nearest_on(triangle, x);
    const double length = way.norm();
    if (length < kNoLength) break;  // the errors reach it
    const Eigen::Vector3d n = way / length;
    const BendDirections* nearest = nullptr;
    double least = kInfinity;
    for (const BendDirections& at : corners.at) {
      const double room = along(n, at, errors);
      if (room < least) nearest = &at;
      least = std::min(least, room);
    }
    best = std::max(best, least - reach_of(triangle, n, errors.lumen_scale));
    const Eigen::Vector3d on =
        nearest->point_E + worst_against(n, *nearest, errors) - std::copysign(1.0, n.dot(grown)) * grown - x;
    x += std::clamp(-way.dot(on) / std::max(on.squaredNorm(), kNoLength), 0.0, 1.0) * on;
  }
  return std::min(best, enough_mm);
}

std::optional<double> DirectedBound::kept(const MotionCell& cell, const CellCorners& corners,
                                          const ErrorBounds& errors, double enough_mm) const {
  double lowest = kInfinity;
  double reach = 0.0;
  for (const BendDirections& at : corners.at) {
    lowest = std::min(lowest, at.point_E.z());
    reach = std::max(reach, (at.point_E - corners.middle_E).norm() + corners.bulge_mm);
  }
  if (lowest < corners.bulge_mm || cell.clearance_mm + cell.radius_mm <= 0.0) return std::nullopt;
  const double sigma = errors.lumen_scale;
  const double off = errors.moved(cell.levers, cell.from_entry_mm, cell.from_centre_mm) +
                     sigma * (cell.radius_mm + cell.from_entry_mm);
  const double lost = past_first_order(cell, corners, errors) + cell.radius_mm;
  // No more is kept than is planned.
  double least = std::min(enough_mm, corners.middle_wall_mm - cell.radius_mm);
  const double radius = reach + cell.radius_mm + (std::max(0.0, least) + off) / (1.0 - sigma);
  std::vector<std::pair<double, const WallTriangle*>> near;
  triangles_->near(corners.middle_E, radius, [&](const WallTriangle& triangle) {
    const double distance = (corners.middle_E - nearest_on(triangle, corners.middle_E)).norm();
    near.emplace_back((1.0 - sigma) * (distance - reach - cell.radius_mm) - off, &triangle);
  });
  std::sort(near.begin(), near.end());
  for (const auto& [undirected, triangle] : near) {
    if (undirected >= least) break;
    const double room = room_to(*triangle, corners, errors, least + lost) - lost;
    least = std::min(least, std::max(room, undirected));
  }
  return least;
}

double DirectedBound::farthest(const BendDirections& station, const BendLevers& levers,
                               const Eigen::Vector3d& target_E, const ErrorBounds& errors) const {
  const double spacing = std::numbers::pi / kParallels;
  double most = 0.0;
  for (int i = 0; i < kParallels; ++i)
    for (int j = 0; j < 2 * kParallels; ++j) {
      const double polar = (i + 0.5) * spacing;
      const double around = (j + 0.5) * spacing;
      const Eigen::Vector3d n(std::sin(polar) * std::cos(around), std::sin(polar) * std::sin(around),
                              std::cos(polar));
      // n . (v + z) at its most, z being no different from -z.
      const double support = 2.0 * n.dot(station.point_E) - along(n, station, errors) - n.dot(target_E) +
                             errors.lumen_scale * std::abs(n.dot(target_E));
      most = std::max(most, support);
    }
  // Half a step along a meridian and, at most, half a step along a parallel, at right angles everywhere.
  const double eta = spacing / std::numbers::sqrt2;
  return most / std::cos(eta) + second_order(levers, errors) +
         turned_further(errors, errors.bent(levers), station.point_E.norm(),
                        (station.point_E - centre_E_).norm());
}

}  // namespace withy
