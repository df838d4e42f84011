// SPDX-License-Identifier: GPL-3.0-or-later
// Is a mesh a sound surface, and what closes its holes?
//
// A sound surface is one connected piece, every edge has one or two faces, the faces round every vertex form
// one fan, neighbours agree on which side is out, no two faces cross, and once every hole is capped it bounds
// a solid. Checks, mending and caps: CGAL 5.5, "Polygon Mesh Processing".
#pragma once

#include <array>
#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"

namespace withy {

/// Why a mesh can't serve as a channel.
enum class MeshFault {
  empty,                     ///< no triangles
  not_finite,                ///< a coordinate is not a finite number
  degenerate,                ///< nothing left but triangles of no area
  non_manifold,              ///< an edge with three or more faces, or a pinched vertex
  self_crossing,             ///< faces cross one another
  several_pieces,            ///< more than one connected piece
  inconsistent_orientation,  ///< can't be oriented
  hole_not_capped,           ///< a hole that can't be closed without crossing the mesh
  no_entry,                  ///< neither a hole nor faces at the entry point
  entry_off_plane,  ///< the opening lies beyond the entry plane, so the body would start outside the lumen
  axis_points_out,  ///< just past the entry point along the axis is not inside the lumen
};

/// The fault's sentence, without the particulars of one mesh, no full stop.
std::string_view sentence(MeshFault fault);

/// The reason's sentence (what is wrong) and what would be right; `detail` is woven in where it helps.
struct MeshRefusal {
  MeshFault fault;
  std::string problem;
  std::string remedy;
};

/// A refusal whose problem is the fault's sentence, then `detail`.
MeshRefusal refusal(MeshFault fault, const std::string& detail, std::string remedy);

/// A hole of the mesh, and the faces that close it.
struct CappedHole {
  std::vector<int> boundary;  ///< vertices, in order round the hole
  std::vector<int> faces;     ///< of the cap
};

struct SoundSurface {
  TriangleMesh mesh;  ///< closed, normals out; the faces that were read first, caps after them
  std::vector<CappedHole> holes;
  std::vector<std::string> mended;  ///< one sentence for each thing that was mended, with a full stop
};

/// How a refusal says where: a point of the mesh in, words out.
using Locator = std::function<std::string(const Eigen::Vector3d&)>;

/// Mends what is safe to mend, caps every hole, and refuses the rest.
tl::expected<SoundSurface, MeshRefusal> make_sound(const TriangleMesh& mesh, const Locator& where);

}  // namespace withy
