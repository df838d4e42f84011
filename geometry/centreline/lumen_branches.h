// SPDX-License-Identifier: GPL-3.0-or-later
// Which ways through the lumen's graph are branches: one to every opening, one into every far end and
// chamber, two round every handle.
//
// The ways are those of one tree of cheapest ways from the entry, an edge of length l at distance d from the
// sides costing l / d^2, so that they keep to the middle (E. W. Dijkstra, "A Note on Two Problems in
// Connexion with Graphs", Numerische Mathematik 1, 1959). Ends are taken in turn, the farthest from the ways
// taken so far first; how far that is follows by the same algorithm, from which only nodes that come nearer
// are taken up again. An end is
// - an opening: always;
// - a far end: the last part of its way leads away from the ways taken by `branch_radii` times the most room
//   that this part has. In a round tube's end, the corner of a box or a ball the figure is 1 to 2;
// - a chamber: on its way there is a place with less room than beyond it, by kNeck.
// Pockets that lead off by less than kLeastShare of the parent's width there are the wall's roughness.
//
// A handle: beside the end of a way lies a node whose own way comes round from elsewhere, apart from all that
// is taken by more than the lumen is wide; and a wall stands between the two. Both ways are
// taken, the second joins the first at its end. A closed surface has as many handles as its genus says, so no
// more are looked for; one shorter than the lumen that it leaves is wide stays unfound.
//
// Work: O(n log n) for n nodes and at most shares::kLumenBranches ways.
//
// Units: mm. Frame: E.
#pragma once

#include <vector>

#include "geometry/centreline/lumen_graph.h"
#include "geometry/centreline/lumen_walls.h"
#include "planner/effort/effort.h"

namespace withy {

struct LumenWay {
  std::vector<int> nodes;  ///< from the parent's way to the end
  int parent = -1;         ///< the way that its first node lies on
  int opening = -1;        ///< the opening that it ends in, -1: none
  int joins = -1;          ///< the way whose last node it ends beside, -1: none
  bool goes_on = false;    ///< another way joins its end: no end of the lumen
};

std::vector<LumenWay> find_lumen_ways(const LumenGraph& graph, const LumenWalls& walls, int entry_opening,
                                      int handles, double branch_radii, const Effort& effort);

}  // namespace withy
