// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/depth/target_way.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

#include "geometry/numbers/numbers.h"

namespace withy {

namespace {

using Points = Eigen::Matrix3Xd;

/// Finds the nearest of points most of which follow one another along lines. They are kept in groups with a
/// ball round each; only groups whose balls are near enough are gone through.
class NearestPoint {
 public:
  /// Coordinates side by side, for loops over all points.
  using Rows = Eigen::Matrix<double, 3, Eigen::Dynamic, Eigen::RowMajor>;

  explicit NearestPoint(const Points& points) : points_(points) {
    for (Eigen::Index from = 0; from < points_.cols(); from += kGroup) {
      const auto group = points_.middleCols(from, std::min(kGroup, points_.cols() - from));
      const Eigen::Vector3d middle = group.rowwise().mean();
      groups_.push_back({middle, (group.colwise() - middle).colwise().norm().maxCoeff() + kBallRounding_mm,
                         from, group.cols()});
    }
  }

  const Rows& rows() const { return points_; }

  /// The distance; infinite without any.
  double distance(const Eigen::Vector3d& p_E) const { return look(p_E).second; }

  /// One of the nearest. Precondition: there is one.
  Eigen::Vector3d nearest(const Eigen::Vector3d& p_E) const {
    assert(points_.cols() > 0);
    return points_.col(look(p_E).first);
  }

 private:
  static constexpr Eigen::Index kGroup = 32;
  // Lengths of up to 1e3 mm.
  static constexpr double kBallRounding_mm = 1e-9;

  /// Which, and how far.
  std::pair<Eigen::Index, double> look(const Eigen::Vector3d& p_E) const {
    Eigen::Index which = 0;
    double least = kInfinity;
    for (const Group& group : groups_)
      least = std::min(least, (group.middle_E - p_E).norm() + group.radius_mm);
    double square = kInfinity;
    for (const Group& group : groups_) {
      if ((group.middle_E - p_E).norm() - group.radius_mm > least) continue;
      const auto row = [&](Eigen::Index i) {
        return points_.row(i).segment(group.from, group.count).array() - p_E[i];
      };
      Eigen::Index in_group = 0;
      const double found = (row(0).square() + row(1).square() + row(2).square()).minCoeff(&in_group);
      if (found >= square) continue;
      square = found;
      which = group.from + in_group;
      least = std::min(least, std::sqrt(square));
    }
    return {which, std::sqrt(square)};
  }

  struct Group {
    Eigen::Vector3d middle_E;
    double radius_mm;
    Eigen::Index from, count;
  };

  Rows points_;
  std::vector<Group> groups_;
};

/// A place that belongs to a point a ahead lies nearer to it than to any other point b, so in the half-space
/// before the plane half-way between them. The place p is (|p - a|^2 - |p - b|^2) / (2 |a - b|) from that,
/// and no nearer to the set than the least over all a of the most over some b: the other point nearest to p,
/// and the last one of the way before those ahead.
class PlacesFrom final : public TipRegion {
 public:
  PlacesFrom(const Points& ahead, const Points& others, const Eigen::Vector3d& last)
      : last_E_(last),
        to_last_mm_((ahead.colwise() - last).colwise().norm().array().max(kLeastApart_mm)),
        ahead_(ahead),
        others_(others) {}

  double outside_mm(const Eigen::Vector3d& p_E) const override {
    const Eigen::Vector3d other = others_.nearest(p_E);
    const double to_others = (other - p_E).norm();
    const double to_set = ahead_.distance(p_E);
    double outside = 0.5 * (to_set - to_others);
    if (outside > 0.0) outside = std::max(outside, beyond_planes(p_E, other));
    return std::max(outside, -p_E.z());
  }

  Eigen::Vector3d ahead_of(const Eigen::Vector3d& p_E) const override { return ahead_.nearest(p_E); }

 private:
  // Points nearer together are taken to be so far apart, which makes the bound no larger, and its rounding no
  // more than that of squares of lengths over this.
  static constexpr double kLeastApart_mm = 0.05;

  double beyond_planes(const Eigen::Vector3d& p_E, const Eigen::Vector3d& other) const {
    const NearestPoint::Rows& ahead = ahead_.rows();
    const auto squares = [&](const Eigen::Vector3d& q) {
      return (ahead.row(0).array() - q.x()).square() + (ahead.row(1).array() - q.y()).square() +
             (ahead.row(2).array() - q.z()).square();
    };
    const Eigen::ArrayXd to_ahead = squares(p_E);
    const Eigen::ArrayXd beyond_other = (to_ahead - (p_E - other).squaredNorm()) /
                                        (2.0 * Eigen::ArrayXd(squares(other)).sqrt().max(kLeastApart_mm));
    const Eigen::ArrayXd beyond_last = (to_ahead - (p_E - last_E_).squaredNorm()) / (2.0 * to_last_mm_);
    return beyond_other.max(beyond_last).minCoeff();
  }

  Eigen::Vector3d last_E_;
  Eigen::ArrayXd to_last_mm_;  // from each point ahead
  NearestPoint ahead_, others_;
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

std::optional<double> TargetWay::depth_of(const Eigen::Vector3d& p_E) const {
  const auto point = point_of(p_E);
  if (!point) return std::nullopt;
  const WayPoint& at = points[*point];
  double depth = at.station_mm;
  double least = (p_E - at.p_E).squaredNorm();
  for (const int side : {-1, 1}) {
    if (side < 0 ? *point == 0 : *point + 1 == points.size()) continue;
    const WayPoint& next = points[side < 0 ? *point - 1 : *point + 1];
    const Eigen::Vector3d along = next.p_E - at.p_E;
    const double share = std::clamp((p_E - at.p_E).dot(along) / along.squaredNorm(), 0.0, 0.5);
    const double square = (p_E - at.p_E - share * along).squaredNorm();
    if (!(square < least)) continue;
    least = square;
    depth = at.station_mm + share * (next.station_mm - at.station_mm);
  }
  return depth;
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
                                      columns(way.points, 0, from, way.beside), way.points[from - 1].p_E);
}

}  // namespace withy
