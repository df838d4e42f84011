// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/blind_ends.h"

#include <algorithm>
#include <cstddef>
#include <utility>

namespace withy {
namespace {

constexpr double kTailRadii = 2.0;
constexpr double kTailNeck = 1.3;
/// Balls of one line touch where a line leaves it; a point within this share of a ball's radius is in it.
constexpr double kInBall = 1.0 + 1e-6;

bool has_children(const std::vector<CentrelineBranch>& branches, std::size_t b) {
  return std::any_of(branches.begin(), branches.end(), [&](const CentrelineBranch& other) {
    return other.parent == static_cast<int>(b) || other.joins == static_cast<int>(b);
  });
}

/// Is a point in a ball about a point of another line?
bool in_other_ball(const std::vector<CentrelineBranch>& branches, std::size_t own, const CentrelinePoint& p) {
  for (std::size_t b = 0; b < branches.size(); ++b) {
    if (b == own) continue;
    for (const CentrelinePoint& q : branches[b].points)
      if ((p.p_E - q.p_E).squaredNorm() <= kInBall * q.radius_mm * q.radius_mm) return true;
  }
  return false;
}

/// The first point of a line's tail.
std::size_t tail_of(const std::vector<CentrelineBranch>& branches, std::size_t b) {
  const auto& points = branches[b].points;
  std::size_t from = points.size();
  while (from > 0 && !in_other_ball(branches, b, points[from - 1])) --from;
  return from;
}

bool leads_on(const std::vector<CentrelinePoint>& points, std::size_t from) {
  if (from >= points.size()) return false;
  double widest = 0.0;
  double narrowest = points[from].radius_mm;
  double chamber = 0.0;
  for (std::size_t i = from; i < points.size(); ++i) {
    narrowest = std::min(narrowest, points[i].radius_mm);
    widest = std::max(widest, points[i].radius_mm);
    if (points[i].radius_mm >= kTailNeck * narrowest) chamber = std::max(chamber, points[i].radius_mm);
  }
  const double length = points.back().station_mm - points[from].station_mm;
  return length >= kTailRadii * widest || (chamber > 0.0 && length >= chamber);
}

void drop(std::vector<CentrelineBranch>& branches, std::size_t b) {
  branches.erase(branches.begin() + static_cast<std::ptrdiff_t>(b));
  for (CentrelineBranch& other : branches) {
    if (other.parent > static_cast<int>(b)) --other.parent;
    if (other.joins > static_cast<int>(b)) --other.joins;
  }
}

}  // namespace

void drop_blind_corners(std::vector<CentrelineBranch>& branches, const Effort& effort) {
  for (std::size_t b = branches.size(); b-- > 1;) {
    if (effort.cut_short()) return;
    const CentrelineBranch& branch = branches[b];
    if (branch.opening >= 0 || branch.joins >= 0 || has_children(branches, b)) continue;
    if (!leads_on(branch.points, tail_of(branches, b))) drop(branches, b);
  }
}

}  // namespace withy
