// SPDX-License-Identifier: GPL-3.0-or-later
// The ends of a lumen's wall: uneven ones cut flat, those that go round an edge of a box found, those that a
// wrap closed opened again.
//
// An end is cut flat square to the normal of its rim's area, a little below the rim's lowest point. What goes
// is the band between that plane and the rim: of a tube of radius r with a rim uneven by s no more area than
// 2 pi r s. Where more would go (a hole in the side of a tube), or where another opening or a handle would go
// with it, the end stays as it is. Every end is treated so, whichever a body goes in by: the openings'
// numbers go by size, and must not depend on which of them is the entry. Not so one that a box makes: where
// an edge of the box goes through the lumen, or a face lays it open lengthwise and meets an end of the
// surface.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"
#include "geometry/repair/cut.h"
#include "geometry/repair/holes.h"
#include "planner/effort/effort.h"

namespace withy {

struct TrimmedEnd {
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();  ///< of the rim that is left
  double taken_mm = 0.0;                             ///< from the old rim's highest point to the new rim
};

/// Cuts every end flat whose rim is uneven by more than `most_spread_mm` (Rim::spread_mm), where that takes
/// no more than the end. Those round an edge of `box_faces` stay, and those along a face of it that do not go
/// across the lumen.
std::vector<TrimmedEnd> trim_ends(TriangleMesh& wall, double most_spread_mm,
                                  const std::vector<CutPlane>& box_faces, const Effort& effort = Effort());

/// The six faces of a box, normals out.
std::vector<CutPlane> faces_of(const Eigen::AlignedBox3d& box);

/// How a rim lies to the faces of a box.
enum class RimOnBox {
  apart,  ///< on no face, or touching one in a point
  face,   ///< all on one face
  edge,   ///< on faces, and on more than one: an edge of the box cuts the lumen
  partly  ///< along a face, and elsewhere on none: the face meets an end of the surface, or a hole in it
};
RimOnBox rim_on_box(const Rim& rim, const std::vector<CutPlane>& box_faces);

/// A wrap, closed by itself, opened at those of the ends of what it was made of that it still has; `near_mm`
/// is how far it may lie from their rims' planes. The others are added to `closed`.
TriangleMesh open_wrap(TriangleMesh wrap, const std::vector<Rim>& ends, double near_mm,
                       std::vector<Rim>& closed);

/// A cut that opens a closed surface at one of its ends: the farthest points along its principal axes are
/// tried, the longest axis first, and the first cut is taken that makes one opening and no more. Its numbers
/// are rounded as they are printed. Nothing where no such cut was found.
std::optional<CutPlane> end_cut(const TriangleMesh& closed);

}  // namespace withy
