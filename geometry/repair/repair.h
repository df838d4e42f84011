// SPDX-License-Identifier: GPL-3.0-or-later
// From whatever triangles somebody has to the wall of one lumen: a manifold of one piece that does not cross
// itself, whose holes are the lumen's openings.
//
// In this order: what lies outside a box is left out (cut.h); pieces are told apart (pieces.h) and one is
// taken; cuts open it (cut.h); small holes are closed (holes.h), but none that a cut made; crossings are
// mended in place, and where that fails the surface is wrapped (crossings.h); smoothing, where it is asked
// for (smooth.h). How far the result and what was given lie apart is measured (deviation.h), smoothing left
// out: that has a bound of its own. Last, flatten_ends cuts uneven ends flat (ends.h): what that takes is not
// in the measure, and is said by itself.
//
// The effort is asked in each loop, and before and after each call of CGAL, which nothing can end midway: the
// longest are the wrap (alpha_wrap_3) and the mending of crossings (remove_self_intersections).
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"
#include "geometry/repair/cut.h"
#include "geometry/repair/ends.h"
#include "geometry/repair/holes.h"
#include "planner/effort/effort.h"

namespace withy {

struct RepairSettings {
  std::optional<Eigen::Vector3d> keep_at;  ///< the piece nearest to this; left out: the largest
  std::vector<CutPlane> cuts;
  std::optional<Eigen::AlignedBox3d> crop;  ///< what lies outside is left out before pieces are told apart
  bool body = false;                        ///< the mesh is the skin of a solid round the lumen
  double close_below_mm = 1.5;              ///< holes of a smaller radius are closed
  double wrap_mm =
      0.0;  ///< wrap everything, gaps narrower than this closed; 0: only where nothing else helps
  double smooth_mm = 0.0;  ///< the wall may move by so much; 0: it stays
  /// Of the box outside which nothing was given: a volume's. A crop has its own.
  std::vector<CutPlane> box_faces;
  Effort effort = {};
};

struct PieceFigures {
  std::size_t triangles = 0;
  double area_mm2 = 0.0;
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();  ///< of its box
  bool kept = false;
};

enum class RepairFault {
  empty,            ///< no triangles with an area
  no_lumen_inside,  ///< --body, and nothing in the body is hidden
  cut_misses,       ///< the plane of a cut crosses nothing, or an opening's rim
  cut_joined,    ///< what a cut should take away hangs on elsewhere, or another cut takes off what it opens
  nothing_left,  ///< no part of the mesh lies in the box
  loose,         ///< the mesh is loose triangles or scraps, none of them a lumen's wall
  flat,          ///< the piece taken encloses nothing
  wrap_failed,   ///< even the wrap leaves no sound surface
  cut_short      ///< the effort ended it: `problem` says what was being done
};

/// What is wrong and what to do about it, in words of withy scene's options.
struct RepairRefusal {
  RepairFault fault;
  std::string problem;
  std::string remedy;
};

struct Repaired {
  TriangleMesh wall;                 ///< normals out of the lumen
  std::vector<Rim> openings;         ///< the longest first
  std::vector<PieceFigures> pieces;  ///< largest area first
  int handles = 0;
  std::vector<std::string> done;  ///< what was done, a sentence each
  double joined_mm = 0.0;         ///< the part of `moved_mm` that joining borders which nearly coincide took
  double moved_mm = 0.0;          ///< no point of wall and given piece lies farther from the other than this
  double swallowed_mm = 0.0;      ///< faces given that a wrap went round lie up to this far off; 0: none do
  double smoothed_mm = 0.0;       ///< no point of the wall was moved farther than this by smoothing
  bool wrapped = false;
  std::size_t loops_given = 0;      ///< boundary loops of what a wrap of everything was given
  std::vector<Rim> closed_by_wrap;  ///< those of them that it closed, the longest first
  std::size_t closed_holes = 0;     ///< holes that were closed since they are small
  double closed_radius_mm = 0.0;    ///< of the largest of them
  std::vector<CutPlane> box_faces;  ///< of the crop, or as the settings have them
  std::vector<TrimmedEnd> trimmed;  ///< ends cut flat
  std::vector<Rim> round_edge;      ///< openings that go round an edge of the box: it cuts the lumen there
  std::vector<Rim> partly_on_box;   ///< openings that lie along a face of the box, but not all of them
};

tl::expected<Repaired, RepairRefusal> repair_lumen(const TriangleMesh& mesh, const RepairSettings& settings);

/// The same with every end cut flat whose rim is uneven by more than `most_spread_mm`, where that takes no
/// more than the end. Ends from where the effort is cut short stay as they are.
Repaired flatten_ends(Repaired repaired, double most_spread_mm, const Effort& effort = Effort());

}  // namespace withy
