// SPDX-License-Identifier: GPL-3.0-or-later
// A set of places that a tip may be asked to get into, where a ball about a point won't do.
#pragma once

#include <Eigen/Core>

namespace withy {

/// Constant; safe to use from several threads at once. Units: mm, frame E.
class TipRegion {
 public:
  TipRegion() = default;
  TipRegion(const TipRegion&) = delete;
  TipRegion& operator=(const TipRegion&) = delete;
  virtual ~TipRegion() = default;

  /// Not above 0 for the places of the set, above 0 for all others, and never more than the distance to the
  /// set.
  virtual double outside_mm(const Eigen::Vector3d& p_E) const = 0;

  /// A place of the set that is worth making for from p.
  virtual Eigen::Vector3d ahead_of(const Eigen::Vector3d& p_E) const = 0;
};

}  // namespace withy
