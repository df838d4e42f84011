// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/nearest_state.h"

#include <cmath>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// A printed angle is no farther from the angle than this share of it.
constexpr double kPrintedWithin = 0.05;
// Angles are not told apart more finely.
constexpr int kMostDecimals = 6;

}  // namespace

bool counts_as_near(const Goal& goal, const Eigen::Isometry3d& tip_E) {
  return tip_E.translation().z() >= 0.0 || goal.point_E.z() < 0.0;
}

std::string direction_miss(const Goal& goal, const Eigen::Isometry3d& tip_E) {
  const double off = degrees(goal.direction_error(tip_E));
  const double allowed = degrees(goal.direction_tolerance_rad);
  const auto tells = [&](int decimals) {
    const double step = std::pow(10.0, decimals);
    const double printed = std::round(allowed * step) / step;
    return std::abs(printed - allowed) <= kPrintedWithin * allowed && std::round(off * step) / step > printed;
  };
  int decimals = 0;
  while (decimals < kMostDecimals && !tells(decimals)) ++decimals;
  return fmt::format("the tip points {:.{}f} degrees off the wanted direction ({:.{}f} are allowed)", off,
                     decimals, allowed, decimals);
}

NearestState::NearestState(const Design& design, const Goal& goal, const State& start)
    : design_(design), goal_(goal), nearest_(start), distance_mm_(distance_of(nearest_)) {}

double NearestState::distance_of(const State& state) const {
  return goal_.distance(Shape(design_, state).tip_E());
}

void NearestState::visit(const State& state) {
  const Eigen::Isometry3d tip_E = Shape(design_, state).tip_E();
  const double distance = goal_.distance(tip_E);
  if (!(distance < distance_mm_) || !counts_as_near(goal_, tip_E)) return;
  distance_mm_ = distance;
  nearest_ = state;
}

}  // namespace withy
