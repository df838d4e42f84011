// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/tendons.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numeric>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// A last gap shorter than this share of the spacing is rounding, not a gap.
constexpr double kGapRounding = 1e-9;

/// Tendons whose directions differ by less than this (sine) count as parallel: degrees in radians are wrong
/// by 1e-16, no tendon is placed to better than 1e-3 rad.
constexpr double kParallel = 1e-9;

/// Share of the moment (and of what pretension could make) that counts as rounding: a bend of a planar
/// segment may be out of the tendons' plane by this much.
constexpr double kMomentRounding = 1e-9;

/// Below this angle (rad) sin(x)/x is 1 - x^2/6 to the last bit.
constexpr double kSmallAngle = 1e-4;

double chord_share(double x) {
  return std::abs(x) < kSmallAngle ? 1.0 - x * x / 6.0 : std::sin(x) / x;
}

/// Chord of an arc of length h and curvature kappa: 2 sin(kappa h / 2) / kappa.
double chord(double h_mm, double kappa_per_mm) {
  return h_mm * chord_share(0.5 * kappa_per_mm * h_mm);
}

double cross(const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  return a.x() * b.y() - a.y() * b.x();
}

double distance_to_ray(const Eigen::Vector2d& p, const Eigen::Vector2d& direction) {
  const double along = p.dot(direction);
  return along <= 0.0 ? p.norm() : std::abs(cross(direction, p));
}

std::vector<Eigen::Vector2d> directions_of(const TendonHardware& tendons) {
  std::vector<Eigen::Vector2d> e;
  e.reserve(tendons.angle_rad.size());
  for (const double beta : tendons.angle_rad) e.emplace_back(std::cos(beta), std::sin(beta));
  return e;
}

/// Tendon numbers by angle in [0, 2 pi), one for each direction: the first named of parallel ones.
std::vector<int> by_angle(const std::vector<Eigen::Vector2d>& direction) {
  const auto angle = [&](int k) {
    const Eigen::Vector2d& e = direction[static_cast<std::size_t>(k)];
    const double a = std::atan2(e.y(), e.x());
    return a < -kParallel ? a + 2.0 * M_PI : a;
  };
  std::vector<int> order(direction.size());
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) { return angle(a) < angle(b); });
  std::vector<int> distinct;
  for (const int k : order) {
    const auto same = [&](int other) {
      const Eigen::Vector2d& a = direction[static_cast<std::size_t>(k)];
      const Eigen::Vector2d& b = direction[static_cast<std::size_t>(other)];
      return a.dot(b) > 0.0 && std::abs(cross(a, b)) < kParallel;
    };
    const auto found = std::find_if(distinct.begin(), distinct.end(), same);
    if (found == distinct.end())
      distinct.push_back(k);
    else
      *found = std::min(*found, k);
  }
  return distinct;
}

/// A stretch of the body of one curvature, up to station `to_mm`; zero where rigid or inside the guide.
struct CurvedStretch {
  double to_mm = 0.0;
  Eigen::Vector2d u = Eigen::Vector2d::Zero();
};

/// The whole body, proximal to distal.
std::vector<CurvedStretch> stretches_of_body(const Design& design, const std::vector<Region>& regions,
                                             double insertion_mm) {
  std::vector<CurvedStretch> stretches;
  double at = 0.0;
  const auto add = [&](const Eigen::Vector2d& u, double to) {
    if (to <= at) return;
    stretches.push_back({to, u});
    at = to;
  };
  const Eigen::Vector2d straight = Eigen::Vector2d::Zero();
  add(straight, first_exposed_station(design, insertion_mm));
  for (const Region& region : regions) {
    const Eigen::Vector2d u = region.flexible_mm > kNoLength_mm ? region.u : straight;
    for (const RigidSpan& span : design.rigid_spans()) {
      if (span.to_mm <= at || span.from_mm >= region.to_mm) continue;
      add(u, std::min(span.from_mm, region.to_mm));
      add(straight, std::min(span.to_mm, region.to_mm));
    }
    add(u, region.to_mm);
  }
  return stretches;
}

/// Adds to `drawn` what a gap of several stretches, which carries the frame of its first hole's disk to that
/// of its last by `X`, is short of its length.
void add_mixed_gap(double gap_mm, const Eigen::Isometry3d& X, double radius_mm,
                   const std::vector<Eigen::Vector2d>& e, Eigen::VectorXd& drawn) {
  for (std::size_t k = 0; k < e.size(); ++k) {
    const Eigen::Vector3d hole(radius_mm * e[k].x(), radius_mm * e[k].y(), 0.0);
    drawn(static_cast<Eigen::Index>(k)) += gap_mm - (X * hole - hole).norm();
  }
}

/// The same for a gap of one curvature, in closed form (see the header).
void add_uniform_gap(double gap_mm, const Eigen::Vector2d& u, double radius_mm,
                     const std::vector<Eigen::Vector2d>& e, Eigen::VectorXd& drawn) {
  const double c = chord(gap_mm, u.norm());
  for (std::size_t k = 0; k < e.size(); ++k)
    drawn(static_cast<Eigen::Index>(k)) += gap_mm - std::abs(c * (1.0 - radius_mm * e[k].dot(u)));  // (2)
}

Eigen::VectorXd drawn_through_disks(const TendonHardware& tendons, const std::vector<Eigen::Vector2d>& e,
                                    const std::vector<double>& disks,
                                    const std::vector<CurvedStretch>& stretches) {
  Eigen::VectorXd drawn = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(e.size()));
  auto stretch = stretches.begin();
  for (std::size_t j = 0; j + 1 < disks.size(); ++j) {
    const double gap = disks[j + 1] - disks[j];
    while (stretch->to_mm <= disks[j]) ++stretch;
    if (stretch->to_mm >= disks[j + 1]) {
      add_uniform_gap(gap, stretch->u, tendons.radius_mm, e, drawn);
      continue;
    }
    Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
    double at = disks[j];
    for (; at < disks[j + 1]; at = stretch->to_mm, ++stretch) {
      X = X * arc_pose(stretch->u, std::min(stretch->to_mm, disks[j + 1]) - at);
      if (stretch->to_mm >= disks[j + 1]) break;
    }
    add_mixed_gap(gap, X, tendons.radius_mm, e, drawn);
  }
  return drawn;
}

}  // namespace

std::vector<double> disk_stations(double length_mm, double disk_spacing_mm) {
  std::vector<double> stations;
  if (disk_spacing_mm <= 0.0) return stations;
  const double last = length_mm - kGapRounding * disk_spacing_mm;
  for (int j = 0; j * disk_spacing_mm < last; ++j) stations.push_back(j * disk_spacing_mm);
  stations.push_back(length_mm);
  return stations;
}

Eigen::VectorXd drawn_by_bends(const Design& design, const std::vector<Region>& regions,
                               double insertion_mm) {
  assert(design.tendons());
  const TendonHardware& tendons = *design.tendons();
  const std::vector<Eigen::Vector2d> e = directions_of(tendons);
  if (tendons.disk_spacing_mm > 0.0)
    return drawn_through_disks(tendons, e, disk_stations(design.length_mm(), tendons.disk_spacing_mm),
                               stretches_of_body(design, regions, insertion_mm));
  Eigen::VectorXd drawn = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(e.size()));
  for (const Region& region : regions) {
    if (region.flexible_mm <= kNoLength_mm) continue;
    for (std::size_t k = 0; k < e.size(); ++k)
      drawn(static_cast<Eigen::Index>(k)) +=
          tendons.radius_mm * e[k].dot(region.u) * region.flexible_mm;  // (1)
  }
  return drawn;
}

Eigen::VectorXd tendon_pulls(const Design& design, const std::vector<Region>& regions, double insertion_mm) {
  Eigen::VectorXd pull = drawn_by_bends(design, regions, insertion_mm);
  if (design.tendons()->motors == Motors::stand) pull.array() -= insertion_mm;
  return pull;
}

double wrapped_angle(const std::vector<Region>& regions) {
  double sum = 0.0;
  for (const Region& region : regions) sum += region.theta.norm();
  return sum;
}

double capstan_factor(double friction_coefficient, double wrapped_rad) {
  return std::exp(friction_coefficient * wrapped_rad);
}

const char* phrase_of(TensionFault fault) {
  switch (fault) {
    case TensionFault::out_of_plane:
      return "out of the tendons' plane";
    case TensionFault::no_pull_side:
      return "to a side that no tendon pulls to";
  }
  return "";
}

TendonStatics::TendonStatics(const TendonHardware& tendons)
    : radius_mm_(tendons.radius_mm),
      pretension_N_(tendons.tension_min_N),
      direction_(directions_of(tendons)) {
  pretension_moment_.setZero();
  for (const Eigen::Vector2d& e : direction_) pretension_moment_ += pretension_N_ * radius_mm_ * e;
  const std::vector<int> order = by_angle(direction_);
  std::vector<bool> bounds(direction_.size(), false);
  in_one_plane_ = true;
  for (std::size_t i = 0; i < order.size(); ++i) {
    const int a = order[i];
    const int b = order[(i + 1) % order.size()];
    const Eigen::Vector2d& ea = direction_[static_cast<std::size_t>(a)];
    const Eigen::Vector2d& eb = direction_[static_cast<std::size_t>(b)];
    const double sine = cross(ea, eb);
    if (std::abs(sine) > kParallel) in_one_plane_ = false;
    if (sine > kParallel) {
      sectors_.push_back({a, b, ea, eb, sine});
      lipschitz_ = std::max(lipschitz_, 1.0 / (radius_mm_ * sine));
    } else {
      bounds[static_cast<std::size_t>(a)] = bounds[static_cast<std::size_t>(b)] = true;
    }
  }
  for (std::size_t k = 0; k < direction_.size(); ++k)
    if (bounds[k]) edge_.push_back(direction_[k]);
  if (in_one_plane_) lipschitz_ = 1.0 / radius_mm_;
}

std::optional<ExtraTension> TendonStatics::on_a_ray(const Eigen::Vector2d& need, double tolerance) const {
  for (std::size_t k = 0; k < direction_.size(); ++k) {
    if (need.dot(direction_[k]) <= 0.0 || std::abs(cross(direction_[k], need)) > tolerance) continue;
    return ExtraTension{static_cast<int>(k), static_cast<int>(k), need.norm() / radius_mm_, 0.0};
  }
  return std::nullopt;
}

tl::expected<ExtraTension, TensionFault> TendonStatics::extra_tension(
    const Eigen::Vector2d& moment_Nmm) const {
  const Eigen::Vector2d need = moment_Nmm - pretension_moment_;
  const double made = radius_mm_ * pretension_N_ * static_cast<double>(direction_.size());
  const double tolerance = kMomentRounding * (moment_Nmm.norm() + made);
  if (need.norm() <= tolerance) return ExtraTension{};
  for (const Sector& sector : sectors_) {
    const double from_first = cross(sector.e_first, need);
    const double to_second = cross(need, sector.e_second);
    if (from_first < 0.0 || to_second < 0.0) continue;
    const double scale = 1.0 / (radius_mm_ * sector.sine);
    return ExtraTension{sector.first, sector.second, to_second * scale, from_first * scale};
  }
  if (const std::optional<ExtraTension> single = on_a_ray(need, tolerance)) return *single;
  return tl::unexpected(in_one_plane_ ? TensionFault::out_of_plane : TensionFault::no_pull_side);
}

tl::expected<Eigen::VectorXd, TensionFault> TendonStatics::tensions(const Eigen::Vector2d& moment_Nmm) const {
  const auto extra = extra_tension(moment_Nmm);
  if (!extra) return tl::unexpected(extra.error());
  Eigen::VectorXd T = Eigen::VectorXd::Constant(static_cast<Eigen::Index>(direction_.size()), pretension_N_);
  T(extra->first) += extra->first_N;
  T(extra->second) += extra->second_N;
  return T;
}

double TendonStatics::reach_margin(const Eigen::Vector2d& moment_Nmm) const {
  double nearest = kInfinity;
  const Eigen::Vector2d need = moment_Nmm - pretension_moment_;
  for (const Eigen::Vector2d& e : edge_) nearest = std::min(nearest, distance_to_ray(need, e));
  if (edge_.empty()) return nearest;
  if (in_one_plane_) return -nearest;
  const bool inside = std::any_of(sectors_.begin(), sectors_.end(), [&](const Sector& sector) {
    return cross(sector.e_first, need) >= 0.0 && cross(need, sector.e_second) >= 0.0;
  });
  return inside ? nearest : -nearest;
}

}  // namespace withy
