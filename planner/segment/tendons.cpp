// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/tendons.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <numeric>

namespace withy {
namespace {

/// A remainder of the flexible length below this share of a gap is rounding, not a gap.
constexpr double kGapRounding = 1e-9;

/// Tendons whose directions differ by less than this (sine) count as parallel: degrees in radians are wrong
/// by 1e-16, no tendon is placed to better than 1e-3 rad.
constexpr double kParallel = 1e-9;

/// Share of the moment (and of what pretension could make) that counts as rounding: a bend of a planar
/// segment may be out of the tendons' plane by this much.
constexpr double kMomentRounding = 1e-9;

/// Below this angle (rad) sin(x)/x is 1 - x^2/6 to the last bit.
constexpr double kSmallAngle = 1e-4;

double sinc(double x) {
  return std::abs(x) < kSmallAngle ? 1.0 - x * x / 6.0 : std::sin(x) / x;
}

/// Chord of an arc of length h and curvature kappa: 2 sin(kappa h / 2) / kappa.
double chord(double h_mm, double kappa_per_mm) {
  return h_mm * sinc(0.5 * kappa_per_mm * h_mm);
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

}  // namespace

GapSums gap_sums(double flexible_mm, double disk_spacing_mm, double kappa_per_mm) {
  if (flexible_mm <= kNoLength_mm) return {};
  if (disk_spacing_mm <= 0.0) return {0.0, flexible_mm};
  const double whole = std::floor(flexible_mm / disk_spacing_mm + kGapRounding);
  const double rest = std::max(0.0, flexible_mm - whole * disk_spacing_mm);
  const double sum = whole * chord(disk_spacing_mm, kappa_per_mm) + chord(rest, kappa_per_mm);
  return {flexible_mm - sum, sum};
}

Eigen::VectorXd tendon_pulls(const Design& design, const std::vector<Region>& regions, double insertion_mm) {
  assert(design.tendons());
  const TendonHardware& tendons = *design.tendons();
  const std::vector<Eigen::Vector2d> e = directions_of(tendons);
  Eigen::VectorXd pull = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(e.size()));
  for (const Region& region : regions) {
    if (region.flexible_mm <= kNoLength_mm) continue;
    const GapSums gaps = gap_sums(region.flexible_mm, tendons.disk_spacing_mm, region.u.norm());
    for (std::size_t k = 0; k < e.size(); ++k)
      pull(static_cast<Eigen::Index>(k)) +=
          gaps.shortening_mm + tendons.radius_mm * e[k].dot(region.u) * gaps.chord_mm;
  }
  if (tendons.motors == Motors::stand) pull.array() -= insertion_mm;
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
  double nearest = std::numeric_limits<double>::infinity();
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
