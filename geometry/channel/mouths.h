// SPDX-License-Identifier: GPL-3.0-or-later
// The openings of a wall as places to go in by: numbered, and each with its entry frame.
//
// "opening:2" is the second of a wall's openings by size: the longest rim first, rims of one length by their
// places in the scene frame. The entry frame of an opening has its z axis along the normal of the rim's area,
// into the lumen; its origin is in the plane of the rim's innermost point, in the middle of the rim, or where
// the rim is farthest if its middle is much nearer to it.
//
// Units: mm. Frame: the scene frame S.
#pragma once

#include <vector>

#include <Eigen/Core>

#include "geometry/channel/channel.h"

namespace withy {

struct Mouth {
  Eigen::Vector3d centre_S = Eigen::Vector3d::Zero();  ///< of the rim's line
  Eigen::Vector3d inward_S = Eigen::Vector3d::UnitZ();
  double radius_mm = 0.0;                             ///< of a circle as long as the rim
  double spread_mm = 0.0;                             ///< how uneven the rim is, along `inward_S`
  Eigen::Vector3d entry_S = Eigen::Vector3d::Zero();  ///< where a body would go in
  double room_mm = 0.0;                               ///< from there to the rim, in the plane
  double reach_mm = 0.0;  ///< from there to the rim's farthest point: the least opening_radius_mm
};

/// Those of a sound surface in the scene frame, opening 1 first.
std::vector<Mouth> mouths_of(const SoundSurface& surface_S);

/// An entry by one of them: the frame's x axis along `x_axis_S` as far as it is across the opening.
Entry entry_by(const Mouth& mouth, const Eigen::Vector3d& x_axis_S);

/// A direction across an axis, along one of the scene's own as far as it can be.
Eigen::Vector3d across(const Eigen::Vector3d& axis_S);

/// The openings of a channel in the order of their numbers: element 0 is the index of opening 1.
std::vector<int> numbered_openings(const Channel& channel);

}  // namespace withy
