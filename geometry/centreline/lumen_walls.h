// SPDX-License-Identifier: GPL-3.0-or-later
// How far a point of the lumen is from its side walls, and how far from its openings.
//
// A channel's distance counts closed outlets as wall. A middle line leads through every opening, closed or
// open, so here the faces that fill an opening (a hole's cap, the faces at the entry) are kept apart from all
// others, the sides. Distances are those to whole triangles (FaceTree), rays are CGAL's AABB tree's, in
// double precision.
//
// Units: mm. Frame: E.
#pragma once

#include <memory>

#include <Eigen/Core>

#include "geometry/channel/channel.h"

namespace withy {

/// Safe to query from several threads at once.
class LumenWalls {
 public:
  explicit LumenWalls(const Channel& channel);
  ~LumenWalls();
  LumenWalls(const LumenWalls&) = delete;
  LumenWalls& operator=(const LumenWalls&) = delete;

  struct NearestOpening {
    double distance_mm = 0.0;  ///< infinite when there is no opening
    int opening = -1;          ///< index into the channel's openings
    Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  };

  /// Is there any side wall at all? Nothing below may be asked otherwise.
  bool has_sides() const;
  double side_distance(const Eigen::Vector3d& p_E) const;
  NearestOpening nearest_opening(const Eigen::Vector3d& p_E) const;

  /// Half the way from a point of a side face, straight in from that face, to the next side wall; infinite
  /// where the way meets none. No ball that touches the face there and holds no wall is larger, for the wall
  /// that the way meets lies in the ball or on it otherwise.
  double half_width(const Eigen::Vector3d& p_E, const Eigen::Vector3d& inward, int face) const;

  /// Does the straight way between two points meet no side?
  bool sees(const Eigen::Vector3d& p_E, const Eigen::Vector3d& q_E) const;

  /// The channel's faces that are sides.
  const std::vector<int>& sides() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace withy
