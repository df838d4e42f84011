// SPDX-License-Identifier: GPL-3.0-or-later
// Does a way pass the scene's places to pass ([[via]]), in their order? Asked of plans and of scripts.
//
// A place is passed where a tip that the way names stands at it: within its tolerance, and where a direction
// is wanted, pointing so. One tip may pass several places that follow one another. Places that were passed
// stay so; a place that is met before its turn does not count then.
//
// Units: mm, rad. Frame: S.
#pragma once

#include <cstddef>
#include <vector>

#include <Eigen/Geometry>

#include "planner/scene/scene.h"

namespace withy {

/// How far outside its tolerance a tip still stands at a place: what its numbers were rounded by.
struct PlaceLeniency {
  double distance_mm = 0.0;
  double turn_rad = 0.0;
};

/// How far the tip points off the wanted direction (rad); 0 where none is wanted.
double turn_rad(const Target& place, const Eigen::Isometry3d& tip_S);

/// Does the tip stand at the place?
bool is_at(const Target& place, const Eigen::Isometry3d& tip_S, const PlaceLeniency& leniency);

/// What a way has passed so far.
class PlacesPassed {
 public:
  /// The places must outlive this.
  PlacesPassed(const std::vector<Target>& places, const PlaceLeniency& leniency)
      : places_(places), leniency_(leniency) {}

  /// The way's next tip.
  void pass(const Eigen::Isometry3d& tip_S);

  bool all() const { return next_ == places_.size(); }

  /// The index of the first place that was not passed. Precondition: not all were.
  std::size_t missing() const { return next_; }

 private:
  const std::vector<Target>& places_;
  PlaceLeniency leniency_;
  std::size_t next_ = 0;
};

}  // namespace withy
