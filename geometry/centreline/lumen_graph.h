// SPDX-License-Identifier: GPL-3.0-or-later
// The lumen as a graph: centres of cubes whose size follows the lumen's width, joined where the straight way
// between them is known to meet no face.
//
// An octree is cut until each cube's edge is at most `cell_share` times the half width of every sample
// (lumen_samples.h) that speaks for a part of it; a cube that lies wholly outside is left as it is. Where the
// lumen has half width r there are so about 1 / cell_share^3 cubes to each length r of it, whatever r is:
// their number grows with length over width, and with neither the mesh's faces nor the lumen's volume. A cut
// ends at shares::kLumenCells at the latest, coarsest cubes first.
//
// A node's room is its distance to the nearest face of any kind, side or opening. Two cubes that touch are
// joined where their rooms add up to more than the distance of their centres: the two empty balls then
// overlap and the way lies in them. So no edge leads through a wall, however thin. From h < r / sqrt(3) on,
// h the edge of the cubes, the cubes that a tube's axis meets are all joined: their centres lie within
// sqrt(3) h / 2 of the axis, so their room exceeds h / 2 each, and more.
//
// Nodes are those that the entry's lumen holds, by a flood from the entry opening: which side of the wall
// they are on is asked of the first alone.
//
// Units: mm. Frame: E.
#pragma once

#include <utility>
#include <vector>

#include <Eigen/Core>

#include "geometry/centreline/lumen_samples.h"
#include "geometry/centreline/lumen_walls.h"
#include "geometry/channel/wall_distance.h"
#include "planner/effort/effort.h"

namespace withy {

struct LumenNode {
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  double edge_mm = 0.0;  ///< of its cube
  double side_mm = 0.0;  ///< to the nearest side wall
  double room_mm = 0.0;  ///< to the nearest face of any kind
  LumenWalls::NearestOpening opening;
  std::vector<int> neighbours;
};

struct LumenGraph {
  std::vector<LumenNode> nodes;   ///< none where no way in from the entry is wide enough for a cube
  std::vector<int> opening_node;  ///< for each opening the node from which a line ends in it, -1 for none
  double finest_mm = 0.0;         ///< the smallest cube's edge
  bool whole = true;              ///< false where shares::kLumenCells ended the cut
};

LumenGraph make_lumen_graph(const WallDistance& wall, const LumenWalls& walls,
                            const std::vector<LumenSample>& samples, double cell_share, const Effort& effort);

}  // namespace withy
