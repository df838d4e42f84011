// SPDX-License-Identifier: GPL-3.0-or-later
// The middle lines of a channel, how wide the lumen is along each, and how they bend.
//
// A graph of points fills the lumen, as fine as the lumen is wide at each place (lumen_graph.h); branches are
// ways through it that keep to the middle, one to every opening, into every far end and chamber, and two
// round every handle (lumen_branches.h). Each is then moved to where the sides are farthest, smoothed, and
// resampled evenly (lumen_line.h). The lumen is all that the closed mesh holds, on either side of the entry
// plane. A line depends on distances only, so coarse triangles can't make it collapse, and crosses no wall,
// however thin. Work: O(n log n) for a mesh of n faces, with a fixed limit on the points of the graph.
//
// Curvature and torsion are the Frenet figures |r' x r''| / |r'|^3 and (r' x r'') . r''' / |r' x r''|^2 (M.
// P. do Carmo, "Differential Geometry of Curves and Surfaces", 1976, section 1-5) of a cubic fitted by least
// squares over a window of about two lumen radii each way. Tortuosity is the distance metric: length over the
// distance between the ends (E. Bullitt, G. Gerig, S. M. Pizer, W. Lin and S. R. Aylward, "Measuring
// Tortuosity of the Intracerebral Vasculature from MRA Images", IEEE Trans. Medical Imaging 22(9), 2003).
//
// Units: mm, 1/mm. Frame: E. Curvature is dependable to about 10 % away from the ends and where the lumen is
// no wider than the bend's radius; torsion far less.
#pragma once

#include <vector>

#include <Eigen/Core>

#include "geometry/channel/wall_distance.h"
#include "planner/effort/effort.h"

namespace withy {

struct CentrelinePoint {
  double station_mm = 0.0;  ///< along the branch, from where it starts
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  double radius_mm = 0.0;  ///< distance to the nearest face that fills no opening
  double curvature_per_mm = 0.0;
  double torsion_per_mm = 0.0;
};

/// The first branch starts at the entry; the others leave an earlier one.
struct CentrelineBranch {
  int parent = -1;
  double parent_station_mm = 0.0;
  int opening = -1;  ///< index into the channel's openings of the one that it ends in; -1: none
  int joins = -1;    ///< the branch whose end it meets, round a handle; -1: none
  std::vector<CentrelinePoint> points;
  double length_mm() const { return points.empty() ? 0.0 : points.back().station_mm; }
  double tortuosity() const;
};

struct CentrelineSettings {
  double spacing_mm = 1.0;      ///< of the resampled points, at most
  double spacing_radii = 0.25;  ///< and at most so many of the branch's median radius
  double branch_radii = 3.0;    ///< a far end counts as a branch when it leads off by so many of its radii
  Effort effort = {};
};

struct Centreline {
  std::vector<CentrelineBranch> branches;
  std::vector<int> missed_openings;  ///< those that no way wide enough for the graph leads to
  double finest_mm = 0.0;            ///< edge of the graph's smallest cubes

  /// Station on the first branch nearest to a point.
  double station_of(const Eigen::Vector3d& p_E) const;
};

/// Nothing found (no way in that the graph's limit leaves wide enough) gives no branches; nor does an effort
/// that is cut short.
Centreline compute_centreline(const WallDistance& wall, const CentrelineSettings& settings = {});

}  // namespace withy
