// SPDX-License-Identifier: GPL-3.0-or-later
// The middle line of a channel, how wide the lumen is along it, and how it bends.
//
// Points of a grid inside the lumen are joined to their neighbours where the empty balls about them overlap
// (so no wall is between), at a cost of length / d^2 with d the distance to the wall; a branch is the
// cheapest way from the entry to a far end, that is, a shortest path that keeps to the middle (E. W.
// Dijkstra, "A Note on Two Problems in Connexion with Graphs", Numerische Mathematik 1, 1959). It depends on
// distances only, so coarse triangles can't make it collapse. The way is then moved across its direction to
// where d is greatest, smoothed, and resampled evenly.
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

namespace withy {

struct CentrelinePoint {
  double station_mm = 0.0;  ///< along the branch, from where it starts
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  double radius_mm = 0.0;  ///< distance to the wall
  double curvature_per_mm = 0.0;
  double torsion_per_mm = 0.0;
};

/// The first branch starts at the entry; the others leave an earlier one.
struct CentrelineBranch {
  int parent = -1;
  double parent_station_mm = 0.0;
  std::vector<CentrelinePoint> points;
  double length_mm() const { return points.empty() ? 0.0 : points.back().station_mm; }
  double tortuosity() const;
};

struct CentrelineSettings {
  int most_nodes = 40000;   ///< of the grid, about: it decides the spacing
  double spacing_mm = 1.0;  ///< of the resampled points
  double branch_radii =
      3.0;  ///< a far end counts as a branch when it is this many lumen radii off those found
};

struct Centreline {
  std::vector<CentrelineBranch> branches;
  double grid_mm = 0.0;

  /// Station on the first branch nearest to a point.
  double station_of(const Eigen::Vector3d& p_E) const;
};

/// Nothing found (a lumen thinner than the grid) gives no branches.
Centreline compute_centreline(const WallDistance& wall, const CentrelineSettings& settings = {});

}  // namespace withy
