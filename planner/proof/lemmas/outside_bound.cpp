// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/outside_bound.h"

#include <cmath>

#include "geometry/distance/rounding.h"
#include "planner/proof/lemmas/moved_distance.h"

namespace withy {

namespace {

// Edge of a cube: what it costs the bound, at most 0.87 of this, is little beside the cells that it is asked
// for.
constexpr double kCube_mm = 1.0;
// A passage farther than this is as good as none: no body's station is let move as far.
constexpr double kFarPassage_mm = 1000.0;
// Keeps the key of a cube positive for points up to 1e6 mm away.
constexpr double kCubeOrigin = 1 << 20;

// A number rounded up to a float is within two units in the last place of it.
constexpr double kSizeRounding = 1.0 + 4.0 * kFloatUnit;

}  // namespace

OutsideBound::Known OutsideBound::look(const Eigen::Vector3d& centre_E) const {
  const double passage =
      field_->has_passages() ? field_->passage_distance(centre_E, kFarPassage_mm) : kFarPassage_mm;
  return {float_above(field_->exact().signed_distance(centre_E)), float_below(passage)};
}

UpperBound OutsideBound::upper_over(const MovedPoint& p) {
  const Eigen::Vector3d cube = (p.centre_E / kCube_mm).array().floor();
  std::uint64_t key = 0;
  for (int k = 0; k < 3; ++k) key = key << 21U | static_cast<std::uint64_t>(cube[k] + kCubeOrigin);
  const Eigen::Vector3d centre = (cube.array() + 0.5) * kCube_mm;
  const auto [entry, fresh] = known_.try_emplace(key);
  if (fresh) entry->second = look(centre);
  const double r = (p.centre_E - centre).norm();
  const auto distance = static_cast<double>(entry->second.distance);
  const bool sign_holds = r + p.reach_mm < static_cast<double>(entry->second.passage);
  // (1) or (2). Rounded up, a distance outside is smaller in size than D.
  return {(sign_holds ? distance : std::abs(distance) * kSizeRounding) + r + p.reach_mm +
          kDistanceRounding_mm};
}

}  // namespace withy
