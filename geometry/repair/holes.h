// SPDX-License-Identifier: GPL-3.0-or-later
// The rims of a surface's holes, and closing the small ones.
//
// Closing: triangulation, refinement and fairing (CGAL 5.5, "Polygon Mesh Processing", after P. Liepa,
// "Filling Holes in Meshes", Symposium on Geometry Processing 2003), so that the patch goes on as the wall
// about it does.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <cstddef>
#include <vector>

#include <Eigen/Core>

#include "geometry/mesh/mesh.h"
#include "geometry/repair/cut.h"
#include "planner/effort/effort.h"

namespace withy {

struct Rim {
  std::vector<Eigen::Vector3d> points;                ///< in order round the hole
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();   ///< of the rim's line
  Eigen::Vector3d outward = Eigen::Vector3d::Zero();  ///< unit normal of its area, out of the solid whose
                                                      ///< faces have their normals out; 0 without an area
  double area_mm2 = 0.0;                              ///< size of the area that the rim goes round
  double radius_mm = 0.0;                             ///< that of a circle of the same length
  double spread_mm = 0.0;       ///< from the lowest to the highest point along `outward`
  double highest_mm = 0.0;      ///< of the highest point along `outward`, from the centre
  bool touches_itself = false;  ///< it comes by one point twice: holes that meet there, no opening
};

/// The rims of an oriented manifold, the longest first; equal lengths by place, so that their order depends
/// on the shape alone.
std::vector<Rim> rims_of(const TriangleMesh& mesh);

struct FilledHoles {
  TriangleMesh mesh;
  std::size_t filled = 0;
  double largest_radius_mm = 0.0;
  std::size_t left = 0;   ///< of the small holes, those that could not be closed
  std::vector<Rim> kept;  ///< of the small holes, those that cuts made
};

/// Does a rim lie in the plane of a cut, as one that the cut made does?
bool made_by(const Rim& rim, const CutPlane& cut);

/// Closes every hole whose radius (Rim::radius_mm) is below `below_mm`, but none that lies in the plane of a
/// cut. Holes that meet in a point, of which no more than one is wider, are told apart there first.
FilledHoles fill_holes(const TriangleMesh& mesh, double below_mm, const std::vector<CutPlane>& cuts = {},
                       const Effort& effort = Effort());

/// Turns a surface right side out: once capped it encloses a solid with normals out.
void turn_right_side_out(TriangleMesh& mesh);

}  // namespace withy
