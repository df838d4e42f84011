// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/friction_load.h"

#include <algorithm>
#include <cmath>

namespace withy {
namespace {

/// Generators whose directions differ by less than this (sine) are one side of the zonotope: what it is wrong
/// by then is as small a share of the load.
constexpr double kOneSide = 1e-12;

double tension_N(const TendonStatics& statics, const ExtraTension& extra, int tendon) {
  double tension = statics.pretension_N();
  if (tendon == extra.first) tension += extra.first_N;
  if (tendon == extra.second) tension += extra.second_N;
  return tension;
}

double total_tension_N(const TendonStatics& statics, const ExtraTension& extra) {
  return statics.pretension_N() * static_cast<double>(statics.directions().size()) + extra.first_N +
         extra.second_N;
}

}  // namespace

FrictionMoments::FrictionMoments(const TendonStatics& statics, const Eigen::Vector2d& moment_Nmm,
                                 const ExtraTension& extra, double exponent)
    : middle_(std::cosh(exponent) * moment_Nmm) {  // (2)
  const double half = statics.radius_mm() * std::sinh(exponent);
  boost::container::small_vector<Eigen::Vector2d, 8> generator;
  for (std::size_t k = 0; k < statics.directions().size(); ++k)
    if (const double size = half * tension_N(statics, extra, static_cast<int>(k)); size > 0.0)
      generator.push_back(size * statics.directions()[k]);
  if (generator.empty()) corners_.push_back(Eigen::Vector2d::Zero());
  for (const Eigen::Vector2d& side : generator) {
    const Eigen::Vector2d normal(-side.y(), side.x());
    Eigen::Vector2d square = Eigen::Vector2d::Zero();
    Eigen::Vector2d along = Eigen::Vector2d::Zero();
    for (const Eigen::Vector2d& g : generator) {
      const double rise = normal.dot(g);
      if (std::abs(rise) <= kOneSide * side.norm() * g.norm())
        along += side.dot(g) < 0.0 ? Eigen::Vector2d(-g) : g;
      else
        square += rise < 0.0 ? Eigen::Vector2d(-g) : g;
    }
    for (const double s : {1.0, -1.0}) {
      corners_.push_back(s * square + along);
      corners_.push_back(s * square - along);
    }
  }
}

double FrictionMoments::farthest_from(const Eigen::Vector2d& rest_Nmm) const {
  const Eigen::Vector2d away = middle_ - rest_Nmm;
  double most = 0.0;
  for (const Eigen::Vector2d& corner : corners_) most = std::max(most, (away + corner).squaredNorm());
  return std::sqrt(most);
}

double friction_load_change(const TendonStatics& statics, double rigidity_Nmm2, const Eigen::Vector2d& u,
                            const ExtraTension& extra, double exponent, const FrictionChange& change) {
  const auto most_change = [&](double (*f)(double)) {
    return std::max(f(change.exponent_hi) - f(exponent), f(exponent) - f(change.exponent_lo));
  };
  const auto cosh = [](double x) { return std::cosh(x); };
  const auto sinh = [](double x) { return std::sinh(x); };
  const double turned =
      std::cosh(change.exponent_hi) * change.curvature_per_mm + most_change(cosh) * u.norm();
  const double pulled = std::sinh(change.exponent_hi) * 2.0 * statics.lipschitz_N_per_Nmm() * rigidity_Nmm2 *
                            change.curvature_per_mm +
                        most_change(sinh) * total_tension_N(statics, extra);
  return rigidity_Nmm2 * (turned + change.frozen_curvature_per_mm) + statics.radius_mm() * pulled;
}

}  // namespace withy
