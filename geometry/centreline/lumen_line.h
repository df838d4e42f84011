// SPDX-License-Identifier: GPL-3.0-or-later
// A line through the lumen, moved to its middle and smoothed; and its Frenet figures.
//
// A point moves across the line's direction to where the sides are farthest, by less than the sides are away,
// then towards its neighbours. A line that has left its side of a wall by that is given up for the one that
// it was made from.
//
// Units: mm, 1/mm. Frame: E.
#pragma once

#include <vector>

#include <Eigen/Core>

#include "geometry/centreline/centreline.h"
#include "geometry/centreline/lumen_walls.h"

namespace withy {

std::vector<Eigen::Vector3d> resampled(const std::vector<Eigen::Vector3d>& line, double spacing_mm);

/// Do the empty balls about the ends of each piece overlap, so that no piece meets a side? The first piece
/// and the last are left out: at an end the line may meet a wall.
bool keeps_inside(const LumenWalls& walls, const std::vector<Eigen::Vector3d>& line);

/// To the middle, then smooth, again and again; the ends of the line stay. No point is moved out of the lumen
/// by an opening that lies along it, about which the sides say nothing.
std::vector<Eigen::Vector3d> settled(const LumenWalls& walls, const WallDistance& wall,
                                     const std::vector<Eigen::Vector3d>& line, double spacing_mm);

/// Leads the line straight on from the middle of a far end until it meets a side, by steps that no side is
/// within, or until the next step would leave the lumen by an opening.
void lead_on(const LumenWalls& walls, const WallDistance& wall, double spacing_mm,
             std::vector<Eigen::Vector3d>& line);

/// Stations, radii, curvature and torsion along a line.
std::vector<CentrelinePoint> measured(const LumenWalls& walls, const std::vector<Eigen::Vector3d>& line);

}  // namespace withy
