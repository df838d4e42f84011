// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_line.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include <Eigen/Dense>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

using Eigen::Vector3d;

// Every how many rounds of smoothing the line is moved to the middle first.
constexpr int kCentreEvery = 4;
// Of the way to the nearest side, the most that a point moves at once.
constexpr double kMostMove = 0.9;
// A line this straight (1/mm times its radius) has no plane of bending, so no torsion to speak of.
constexpr double kStraight = 1e-3;

template <class Work>
void for_inner(std::size_t points, const Work& work) {
  if (points < 3) return;
  tbb::parallel_for(tbb::blocked_range<std::size_t>(1, points - 1), [&](const auto& range) {
    for (std::size_t i = range.begin(); i < range.end(); ++i) work(i);
  });
}

/// Moves a point across `along` to where the sides are farthest, by compass steps that shrink.
Vector3d centred(const LumenWalls& walls, const WallDistance& wall, Vector3d p, const Vector3d& along,
                 double step) {
  const Vector3d side = along.unitOrthogonal();
  const Vector3d up = along.cross(side);
  double d = walls.side_distance(p);
  for (int k = 0; k < 5; ++k) {
    bool better = false;
    const double move = std::min(step, kMostMove * d);
    for (const Vector3d& way : {side, Vector3d(-side), up, Vector3d(-up)}) {
      const Vector3d q = p + move * way;
      const double there = walls.side_distance(q);
      if (there <= d || !wall.inside(q)) continue;
      d = there;
      p = q;
      better = true;
      break;
    }
    if (!better) step *= 0.5;
  }
  return p;
}

/// Frenet figures at point i of an evenly spaced line, from a cubic over `reach` points each way.
void add_frenet(const std::vector<Vector3d>& line, double spacing, std::size_t i, std::size_t reach,
                CentrelinePoint& out) {
  const std::size_t from = i > reach ? i - reach : 0;
  const std::size_t to = std::min(line.size() - 1, i + reach);
  if (to - from < 4) return;
  const auto rows = static_cast<Eigen::Index>(to - from + 1);
  Eigen::MatrixXd powers(rows, 4);
  Eigen::MatrixXd places(rows, 3);
  for (std::size_t k = from; k <= to; ++k) {
    const double t = (static_cast<double>(k) - static_cast<double>(i)) * spacing;
    const auto row = static_cast<Eigen::Index>(k - from);
    powers.row(row) << 1.0, t, t * t, t * t * t;
    places.row(row) = line[k].transpose();
  }
  const Eigen::MatrixXd c = powers.colPivHouseholderQr().solve(places);
  const Vector3d r1 = c.row(1).transpose();
  const Vector3d r2 = 2.0 * c.row(2).transpose();
  const Vector3d r3 = 6.0 * c.row(3).transpose();
  const Vector3d cross = r1.cross(r2);
  if (r1.norm() <= 0.0) return;
  out.curvature_per_mm = cross.norm() / std::pow(r1.norm(), 3);
  if (out.curvature_per_mm * out.radius_mm > kStraight)
    out.torsion_per_mm = cross.dot(r3) / cross.squaredNorm();
}

}  // namespace

std::vector<Vector3d> resampled(const std::vector<Vector3d>& line, double spacing_mm) {
  double length = 0.0;
  for (std::size_t i = 1; i < line.size(); ++i) length += (line[i] - line[i - 1]).norm();
  const int parts = std::max(1, static_cast<int>(std::lround(length / spacing_mm)));
  std::vector<Vector3d> out = {line.front()};
  double walked = 0.0;
  std::size_t i = 1;
  for (int k = 1; k < parts; ++k) {
    const double target = length * k / parts;
    while (i + 1 < line.size() && walked + (line[i] - line[i - 1]).norm() < target)
      walked += (line[i] - line[i - 1]).norm(), ++i;
    const double step = (line[i] - line[i - 1]).norm();
    out.push_back(
        step > 0.0 ? Vector3d(line[i - 1] + (line[i] - line[i - 1]) * std::min(1.0, (target - walked) / step))
                   : line[i]);
  }
  out.push_back(line.back());
  return out;
}

bool keeps_inside(const LumenWalls& walls, const std::vector<Vector3d>& line) {
  for (std::size_t i = 1; i + 2 < line.size(); ++i)
    if ((line[i + 1] - line[i]).norm() > walls.side_distance(line[i]) + walls.side_distance(line[i + 1]))
      return false;
  return true;
}

std::vector<Vector3d> settled(const LumenWalls& walls, const WallDistance& wall,
                              const std::vector<Vector3d>& line, double spacing_mm) {
  std::vector<Vector3d> now = resampled(line, spacing_mm);
  for (int round = 0; round < shares::kLineRounds; ++round) {
    std::vector<Vector3d> next = now;
    if (round % kCentreEvery == 0) {
      for_inner(now.size(), [&](std::size_t i) {
        const Vector3d along = now[i + 1] - now[i - 1];
        if (along.norm() > 0.0) next[i] = centred(walls, wall, now[i], along.normalized(), 0.5 * spacing_mm);
      });
      now = next;
    }
    for_inner(now.size(),
              [&](std::size_t i) { next[i] = 0.25 * now[i - 1] + 0.5 * now[i] + 0.25 * now[i + 1]; });
    now = resampled(next, spacing_mm);
  }
  return keeps_inside(walls, now) ? now : line;
}

void lead_on(const LumenWalls& walls, const WallDistance& wall, double spacing_mm,
             std::vector<Vector3d>& line) {
  if (line.size() < 3) return;
  const std::size_t back = std::min<std::size_t>(line.size() - 1, 5);
  const Vector3d along = (line.back() - line[line.size() - 1 - back]).normalized();
  const double most = 2.0 * walls.side_distance(line.back());
  Vector3d p = line.back();
  double gone = 0.0;
  for (double step = walls.side_distance(p); step > 0.1 * spacing_mm && gone < most;
       step = walls.side_distance(p)) {
    if (!wall.inside(p + step * along)) break;  // out by an opening, which is no side
    p += step * along;
    gone += step;
  }
  if (gone > 0.0) line.push_back(p);
}

std::vector<CentrelinePoint> measured(const LumenWalls& walls, const std::vector<Vector3d>& line) {
  std::vector<CentrelinePoint> points(line.size());
  for (std::size_t i = 0; i < line.size(); ++i) {
    points[i].p_E = line[i];
    points[i].radius_mm = walls.side_distance(line[i]);
    if (i > 0) points[i].station_mm = points[i - 1].station_mm + (line[i] - line[i - 1]).norm();
  }
  if (line.size() < 2) return points;
  const double step = points.back().station_mm / static_cast<double>(line.size() - 1);
  for (std::size_t i = 0; i < line.size() && step > 0.0; ++i) {
    // No more than the line is long: a chamber may be far wider.
    const double window = std::min(2.0 * points[i].radius_mm / step, static_cast<double>(line.size()));
    add_frenet(line, step, i, static_cast<std::size_t>(std::max(4.0, window)), points[i]);
  }
  return points;
}

}  // namespace withy
