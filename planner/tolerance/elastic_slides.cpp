// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/elastic_slides.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "geometry/numbers/decompositions.h"

namespace withy {
namespace {

Eigen::Vector2d direction_of(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

}  // namespace

double ElasticSlide::most_mm(const LatchHardware& latch) const {
  double most = 0.0;
  for (std::size_t k = 0; k < latch.backbone_angle_rad.size(); ++k)
    most = std::max(most, std::abs(direction_of(latch.backbone_angle_rad[k]).dot(bend_mm) +
                                   rest_of(static_cast<Eigen::Index>(k))));
  return most;
}

ElasticSlide elastic_slide(const LatchHardware& latch, const ElasticSlides& slides, int action) {
  const auto found = slides.find(action);
  if (found == slides.end()) return {};
  const Eigen::VectorXd& off = found->second;
  const auto n = std::ssize(latch.backbone_angle_rad);
  assert(off.size() == n);
  Eigen::MatrixXd directions(n, 2);
  for (Eigen::Index k = 0; k < n; ++k)
    directions.row(k) = direction_of(latch.backbone_angle_rad[static_cast<std::size_t>(k)]).transpose();
  ElasticSlide slide;
  slide.bend_mm = least_norm_solution(directions, off);
  slide.rest_mm = off - directions * slide.bend_mm;
  return slide;
}

}  // namespace withy
