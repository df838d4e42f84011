// SPDX-License-Identifier: GPL-3.0-or-later
// The recipe of a made channel: what a phantom's lumen is, in numbers that a drawing would carry.
//
//     title = "S-bend"
//     ends = "capped"             # the entry end: open (a hole) or capped (a flat face)
//     far_ends = "capped"         # the other ends; "capped" when left out
//     edge_length_mm = 1.0        # of the triangles
//     sides = 8                   # optional, one tube only: so many sides all along instead of what the edge
//     length asks blend_mm = 1.0              # optional, branches only: rounding where tubes meet; the edge
//     length when left out [entry]                     # optional; the scene's [entry]. Left out: the origin,
//     +z and +x point_mm = [0.0, 0.0, 0.0] axis = [0.0, 0.0, 1.0] x_axis = [1.0, 0.0, 0.0]
//     [[tube]]                    # the first one starts at the entry
//     name = "trunk"
//     pieces = [ { length_mm = 20.0 }, { length_mm = 40.0, bend_deg = 45.0, plane_deg = 90.0 } ]
//     radius = [ { station_mm = 0.0, radius_mm = 5.0 } ]   # as many as it takes, by station
//     radius_between = "linear"   # linear | smooth (level at each station given); linear when left out
//     [[tube]]                    # a branch
//     name = "left"
//     parent = "trunk"            # stands above this one
//     at_mm = 60.0                # the parent's station where it leaves, from the parent's middle line
//     turn_deg = 30.0             # its first direction: the parent's tangent turned by so much ...
//     plane_deg = 180.0           # ... towards this direction of the parent's cross-section
//     points_mm = [[0,0,0], [2,0,20], [8,0,40]]   # instead of pieces: a smooth curve, in the tube's own
//     start frame radius_mm = [[0.0, 4.0], [45.0, 3.0]]
//
// A piece bends by `bend_deg` towards the direction (cos, sin)(plane_deg) of the local cross-section, as a
// region of the segment does (geometry/phantom/tube_path.h). Units: mm and, in the file only, degrees.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/phantom/tube_path.h"
#include "planner/files/input_error.h"

namespace withy {

enum class TubeEnd { open, capped };

/// Radius over station; outside the given stations the first or last radius holds.
struct RadiusProfile {
  struct Knot {
    double station_mm = 0.0;
    double radius_mm = 0.0;
  };
  std::vector<Knot> knots;  ///< by station, strictly increasing, at least one
  bool smooth = false;  ///< cubic with level ends (3 t^2 - 2 t^3) between knots instead of a straight line

  double at(double station_mm) const;
  double largest() const;
  double smallest() const;
};

struct TubeRecipe {
  std::string name;
  int parent = -1;  ///< index of the parent tube; -1 for the first
  double at_mm = 0.0;
  double turn_rad = 0.0;
  double plane_rad = 0.0;
  std::vector<TubePath::Bend> bends;    ///< either these ...
  std::vector<Eigen::Vector3d> points;  ///< ... or these, in the tube's start frame
  RadiusProfile radius;
  SourcePosition position;  ///< where the tube stands in its file
};

struct ChannelRecipe {
  std::string title;
  TubeEnd entry_end = TubeEnd::capped;
  TubeEnd far_ends = TubeEnd::capped;
  double edge_length_mm = 1.0;
  int sides = 0;          ///< 0: as the edge length asks
  double blend_mm = 0.0;  ///< rounding of the edges where tubes meet
  Eigen::Isometry3d X_SE = Eigen::Isometry3d::Identity();
  std::vector<TubeRecipe> tubes;  ///< at least one, parents before their branches
};

/// Reads a recipe, whole or not at all.
Result<ChannelRecipe> read_recipe(const std::filesystem::path& file);

}  // namespace withy
