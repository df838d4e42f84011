// SPDX-License-Identifier: GPL-3.0-or-later
// Opening a surface by a plane, at one place only.
//
// A plane crosses a bent tube more than once. Of the closed lines in which it crosses the surface a cut takes
// the one about its point: the smallest that goes round it, or the nearest where none does. The surface is
// parted along that line and stays whole at the others; what hangs on the line on the side that the normal
// points to is taken away. A point outside the line that is farther from it than the radius of a circle of
// the line's area means no cut there: it is refused. Where vertices lie in the plane, or within rounding of
// it, the plane is moved against its normal by up to kCutMove_mm, so that they lie clear of it. Splitting:
// CGAL 5.5, "Polygon Mesh Processing", corefinement.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"

namespace withy {

struct CutPlane {
  Eigen::Vector3d point = Eigen::Vector3d::Zero();
  Eigen::Vector3d normal = Eigen::Vector3d::UnitZ();  ///< towards what is taken away; of length 0: no plane
};

/// Less than any file or printer tells apart, and far more than doubles are rounded by.
constexpr double kCutMove_mm = 1e-3;

enum class CutFault {
  no_line,        ///< the plane crosses the surface in no closed line
  far_off,        ///< the point lies outside every line, by more than the radius of the nearest
  across_border,  ///< the line about the point runs into a hole of the surface
  still_joined,   ///< both sides of the line are one piece still, joined elsewhere
  taken_off,      ///< another cut takes off all that this one opens
  crossing        ///< the surface crosses itself at the cut
};

struct CutRefusal {
  CutFault fault;
  std::size_t cut = 0;    ///< index of the cut to blame
  std::size_t other = 0;  ///< that of the other cut, where one takes this one off
};

struct OpenedSurface {
  TriangleMesh mesh;
  /// A point of each cut's line, the same number for number as in the mesh: what has none of the rims with
  /// that point lost the cut.
  std::vector<Eigen::Vector3d> on_line;
};

/// All cuts at once: a piece may hang on several of them. The surface is an oriented manifold. What is left
/// may be in several pieces. A cut without a plane, as a rim without an area would have it, crosses no line.
tl::expected<OpenedSurface, CutRefusal> cut_open(const TriangleMesh& mesh, const std::vector<CutPlane>& cuts);

/// The part of an oriented manifold that lies in a box, open where the box's faces cross it; nothing where it
/// crosses itself there. Faces are moved outwards by up to kCutMove_mm, to lie clear of vertices.
std::optional<TriangleMesh> cropped(const TriangleMesh& mesh, const Eigen::AlignedBox3d& box);

}  // namespace withy
