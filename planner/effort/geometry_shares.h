// SPDX-License-Identifier: GPL-3.0-or-later
// How much each loop of geometry/ may take: the part of the table in shares.h that rooms of triangles look
// at, apart from the rest, so that a share of the search changes without their long compilations.
//
// Each figure has a reason, and all are chosen by hand but where a measurement is named. What is asked of a
// mesh ends with what was found by then, and says so; none of these changes a verdict's truth.
#pragma once

#include <cstddef>

namespace withy::shares {

// Meshes (geometry/mesh, geometry/repair).

/// CGAL's last resort for a hole takes time with the cube of its edges: a second or so at this many. Measured
/// once, the record is not kept.
inline constexpr std::size_t kLastResortEdges = 300;
/// Crossing pairs that are counted: enough to say "how many" without listing a mesh that is nothing but
/// crossings. Chosen.
inline constexpr unsigned kCrossingsCounted = 1000;
/// Rounds of mending in place, about crossings wider and wider; what is left stays. Chosen.
inline constexpr int kCrossingRounds = 7;
/// Other pieces that are asked whether they cross the one taken, the largest first. Chosen.
inline constexpr std::size_t kCrossingBranches = 8;
/// Vertices of a piece that are asked whether they lie within another. Chosen.
inline constexpr std::size_t kVerticesAsked = 200;
/// Faces that a wrap may have. Chosen: so many are made in minutes and in a few gigabytes.
inline constexpr double kMostWrapFaces = 3e6;
/// Ends that are tried, the longest rims first: a torn mesh may have very many, and each takes a second or
/// two on one of a hundred thousand triangles. Chosen.
inline constexpr int kEndsTried = 40;
/// Where a smoothed wall would cross itself, half as much is tried, so many times. Chosen.
inline constexpr int kSmoothingHalvings = 2;
/// Halvings of a triangle whose distance from another surface is bounded. Chosen: they bring a metre to a
/// micrometre.
inline constexpr int kDeviationHalvings = 20;

// The nearest place with room (geometry/channel/nearest_room.h).

/// Cubes that are looked at for it, and then for the roomiest place instead: half a minute on a mesh of a
/// million triangles. Chosen.
inline constexpr int kNearestRoomCubes = 250000;
inline constexpr int kRoomiestCubes = 500000;

// The lumen's middle (geometry/centreline).

/// Cells of the graph: some seconds of distances on a mesh of many faces. Chosen.
inline constexpr std::size_t kLumenCells = 400000;
/// How often the cells are halved where an opening stays unreached. Chosen.
inline constexpr int kLumenHalvings = 2;
/// A mesh of more side faces is sampled by every n-th: then its faces are far smaller than the lumen is wide.
/// Chosen.
inline constexpr std::size_t kLumenFaces = 60000;
/// Pieces of faces that are longer than the lumen is wide; a wedge would ask for pieces without end. Chosen.
inline constexpr int kLumenPieces = 40000;
/// Branches that are followed. Chosen.
inline constexpr std::size_t kLumenBranches = 256;
/// Rounds of smoothing of a line. Chosen.
inline constexpr int kLineRounds = 12;
/// Points of one branch: a line of more says nothing new. Chosen.
inline constexpr double kLinePoints = 4000.0;

}  // namespace withy::shares
