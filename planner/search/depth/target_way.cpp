// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/depth/target_way.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "geometry/numbers/numbers.h"

namespace withy {

namespace {

using Points = Eigen::Matrix3Xd;

/// The distance of the nearest point, squared, and which one it is; infinite without any.
double nearest(const Points& points, const Eigen::Vector3d& p_E, Eigen::Index& which) {
  which = 0;
  if (points.cols() == 0) return kInfinity;
  return (points.colwise() - p_E).colwise().squaredNorm().minCoeff(&which);
}

class PlacesFrom final : public TipRegion {
 public:
  PlacesFrom(Points ahead, Points others) : ahead_(std::move(ahead)), others_(std::move(others)) {}

  double outside_mm(const Eigen::Vector3d& p_E) const override {
    Eigen::Index which;
    const double to_set = std::sqrt(nearest(ahead_, p_E, which));
    const double to_others = std::sqrt(nearest(others_, p_E, which));
    return std::max(0.5 * (to_set - to_others), -p_E.z());
  }

  Eigen::Vector3d ahead_of(const Eigen::Vector3d& p_E) const override {
    Eigen::Index which;
    nearest(ahead_, p_E, which);
    return ahead_.col(which);
  }

 private:
  Points ahead_, others_;
};

/// The branches from the entry's to `last`, and the index of the point of each at which the way leaves it.
struct WayLeg {
  int branch;
  std::size_t points;  ///< so many of its first points are on the way
};

std::vector<WayLeg> legs_to(const Centreline& centreline, int last) {
  std::vector<WayLeg> legs = {{last, centreline.branches[static_cast<std::size_t>(last)].points.size()}};
  for (int b = last; centreline.branches[static_cast<std::size_t>(b)].parent >= 0;) {
    const CentrelineBranch& branch = centreline.branches[static_cast<std::size_t>(b)];
    b = branch.parent;
    const auto& points = centreline.branches[static_cast<std::size_t>(b)].points;
    const auto on_way = std::count_if(points.begin(), points.end(), [&](const CentrelinePoint& p) {
      return p.station_mm <= branch.parent_station_mm;
    });
    legs.push_back({b, static_cast<std::size_t>(on_way)});
  }
  std::reverse(legs.begin(), legs.end());
  return legs;
}

int branch_of(const Centreline& centreline, const Eigen::Vector3d& p_E) {
  int best = -1;
  double least = kInfinity;
  for (std::size_t b = 0; b < centreline.branches.size(); ++b)
    for (const CentrelinePoint& p : centreline.branches[b].points) {
      const double square = (p.p_E - p_E).squaredNorm();
      if (square >= least) continue;
      least = square;
      best = static_cast<int>(b);
    }
  return best;
}

void add_leg(const CentrelineBranch& branch, const WayLeg& leg, TargetWay& way) {
  for (std::size_t k = 0; k < branch.points.size(); ++k) {
    const CentrelinePoint& p = branch.points[k];
    if (k >= leg.points) {
      way.beside.push_back(p.p_E);
      continue;
    }
    const double before = way.points.empty() ? 0.0 : way.points.back().station_mm;
    const double step = way.points.empty() ? 0.0 : (p.p_E - way.points.back().p_E).norm();
    way.points.push_back({before + step, p.p_E, leg.branch, p.station_mm});
  }
}

Points columns(const std::vector<WayPoint>& points, std::size_t from, std::size_t to,
               const std::vector<Eigen::Vector3d>& more) {
  Points out(3, static_cast<Eigen::Index>(to - from + more.size()));
  Eigen::Index k = 0;
  for (std::size_t i = from; i < to; ++i) out.col(k++) = points[i].p_E;
  for (const Eigen::Vector3d& p : more) out.col(k++) = p;
  return out;
}

}  // namespace

std::optional<std::size_t> TargetWay::point_of(const Eigen::Vector3d& p_E) const {
  std::size_t best = 0;
  double least = kInfinity;
  for (std::size_t k = 0; k < points.size(); ++k) {
    const double square = (points[k].p_E - p_E).squaredNorm();
    if (square >= least) continue;
    least = square;
    best = k;
  }
  for (const Eigen::Vector3d& p : beside)
    if ((p - p_E).squaredNorm() < least) return std::nullopt;
  return best;
}

std::optional<TargetWay> way_to_target(const Centreline& centreline, const Eigen::Vector3d& target_E) {
  const int last = branch_of(centreline, target_E);
  if (last < 0) return std::nullopt;
  TargetWay way;
  const std::vector<WayLeg> legs = legs_to(centreline, last);
  for (const WayLeg& leg : legs) add_leg(centreline.branches[static_cast<std::size_t>(leg.branch)], leg, way);
  for (std::size_t b = 0; b < centreline.branches.size(); ++b) {
    const bool on_way = std::any_of(legs.begin(), legs.end(),
                                    [&](const WayLeg& leg) { return leg.branch == static_cast<int>(b); });
    if (on_way) continue;
    for (const CentrelinePoint& p : centreline.branches[b].points) way.beside.push_back(p.p_E);
  }
  if (way.points.size() < 2) return std::nullopt;
  way.target = way.point_of(target_E).value_or(way.points.size() - 1);
  return way;
}

std::shared_ptr<const TipRegion> places_from(const TargetWay& way, std::size_t from) {
  assert(from > 0 && from < way.points.size());
  return std::make_shared<PlacesFrom>(columns(way.points, from, way.points.size(), {}),
                                      columns(way.points, 0, from, way.beside));
}

}  // namespace withy
