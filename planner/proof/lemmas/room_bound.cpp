// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/room_bound.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <queue>

#include "geometry/distance/rounding.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/proof/lemmas/moved_distance.h"

namespace withy {

namespace {

// Edges of the cubes: this, and up to so often twice that.
constexpr double kLeast_mm = RoomBound::kLeastCube_mm;
constexpr int kLevels = 5;
// Half a cube's diagonal, of its edge, rounded up.
constexpr double kHalfDiagonal = 0.8660255;
// Keeps a cube's index positive for points up to 1e5 mm away, and its key within 64 bits.
constexpr std::int64_t kIndexOrigin = 1 << 18;

double edge_of(int level) {
  return std::ldexp(kLeast_mm, level);
}

}  // namespace

RoomBound::RoomBound(std::shared_ptr<const DistanceField> field, std::vector<double> needs_mm)
    : field_(std::move(field)), needs_mm_(std::move(needs_mm)) {
  assert(!needs_mm_.empty());
  std::sort(needs_mm_.begin(), needs_mm_.end());
}

/// Does no need lie above what was found and not above the bound?
bool RoomBound::settled(double found_mm, double over_mm) const {
  const auto next = std::upper_bound(needs_mm_.begin(), needs_mm_.end(), found_mm);
  return next == needs_mm_.end() || over_mm < *next;
}

RoomBound::Bound RoomBound::bound(const Eigen::Vector3d& centre_E, double edge_mm) const {
  const double h = kHalfDiagonal * edge_mm;
  const MovedPoint cube{centre_E, h};
  if (edge_mm > kLeast_mm) {
    // Large cubes may lie far outside, where the field does not reach.
    const double d = field_->exact().signed_distance(centre_E);
    const auto side = OneSide::of(*field_, cube);
    return {d, side ? side->upper({d}).value : std::abs(d) + h + kDistanceRounding_mm};
  }
  return {field_->lower(centre_E), upper_over(*field_, cube, needs_mm_.front()).value};
}

/// The largest D of a least cube, or a little more.
double RoomBound::search(const Eigen::Vector3d& centre_E, const Bound& whole) const {
  struct Part {
    double over;
    Eigen::Vector3d centre;
    double edge;
    bool operator<(const Part& other) const { return over < other.over; }
  };
  double found = whole.at_centre;
  std::priority_queue<Part> parts;
  parts.push({whole.over_cube, centre_E, kLeast_mm});
  for (int looks = 0; looks < shares::kRoomLooks; looks += 8) {
    const Part part = parts.top();
    if (settled(found, part.over)) break;
    parts.pop();
    for (int corner = 0; corner < 8; ++corner) {
      const Eigen::Vector3d side(corner & 1 ? 0.25 : -0.25, corner & 2 ? 0.25 : -0.25,
                                 corner & 4 ? 0.25 : -0.25);
      const Eigen::Vector3d centre = part.centre + part.edge * side;
      const Bound b = bound(centre, 0.5 * part.edge);
      found = std::max(found, b.at_centre);
      // What held for the whole part holds for its eighth.
      parts.push({std::min(part.over, b.over_cube), centre, 0.5 * part.edge});
    }
  }
  return found >= enough_mm() ? kInfinity : parts.top().over;
}

double RoomBound::look(int level, const Index& cube) {
  const double edge = edge_of(level);
  const Eigen::Vector3d centre((static_cast<double>(cube[0]) + 0.5) * edge,
                               (static_cast<double>(cube[1]) + 0.5) * edge,
                               (static_cast<double>(cube[2]) + 0.5) * edge);
  const Bound whole = bound(centre, edge);
  if (whole.at_centre >= enough_mm()) return kInfinity;
  if (whole.over_cube < needs_mm_.front()) return whole.over_cube;
  if (level == 0) return search(centre, whole);
  double most = -kInfinity;
  for (int corner = 0; corner < 8 && most < kInfinity; ++corner)
    most = std::max(most, most_in(level - 1, {2 * cube[0] + (corner & 1), 2 * cube[1] + ((corner >> 1) & 1),
                                              2 * cube[2] + ((corner >> 2) & 1)}));
  return std::min(most, whole.over_cube);
}

double RoomBound::most_in(int level, const Index& cube) {
  std::uint64_t key = static_cast<std::uint64_t>(level);
  for (const std::int64_t i : cube) key = key << 20U | static_cast<std::uint64_t>(i + kIndexOrigin);
  if (const auto known = known_.find(key); known != known_.end()) return static_cast<double>(known->second);
  const float most = float_above(look(level, cube));
  known_.emplace(key, most);
  return static_cast<double>(most);
}

UpperBound RoomBound::most_within(const MovedPoint& p) {
  const Eigen::Vector3d& p_E = p.centre_E;
  const double reach_mm = p.reach_mm;
  int level = 0;
  while (level < kLevels && edge_of(level) < reach_mm) ++level;
  if (level == kLevels) return {kInfinity};
  const double edge = edge_of(level);
  Index low;
  Index high;
  for (std::size_t k = 0; k < 3; ++k) {
    const double x = p_E[static_cast<Eigen::Index>(k)];
    low[k] = static_cast<std::int64_t>(std::floor((x - reach_mm) / edge));
    high[k] = static_cast<std::int64_t>(std::floor((x + reach_mm) / edge));
  }
  low[2] = std::max<std::int64_t>(low[2], 0);
  double most = -kInfinity;
  Index cube;
  for (cube[2] = low[2]; cube[2] <= high[2]; ++cube[2])
    for (cube[1] = low[1]; cube[1] <= high[1]; ++cube[1])
      for (cube[0] = low[0]; cube[0] <= high[0]; ++cube[0]) {
        Eigen::Vector3d nearest;
        for (std::size_t k = 0; k < 3; ++k) {
          const auto at = static_cast<Eigen::Index>(k);
          const double from = static_cast<double>(cube[k]) * edge;
          nearest[at] = std::clamp(p_E[at], from, from + edge);
        }
        if ((nearest - p_E).squaredNorm() > reach_mm * reach_mm) continue;
        most = std::max(most, most_in(level, cube));
        if (most == kInfinity) return {most};
      }
  return {most};
}

}  // namespace withy
