// SPDX-License-Identifier: GPL-3.0-or-later
// The exact lumen of a recipe: tubes around their middle lines, joined.
//
// A point p is in tube i when its distance to the middle line is below the radius at the nearest station s*,
// that is
//     f_i(p) = |p - c_i(s*)| - r_i(s*) < 0,
// so a cross-section is a disc of radius r_i(s) square to the line, as on a drawing. Ends where something may
// come in or out are cut flat: beyond the end's plane f_i is at least the distance to it. Ends inside other
// tubes are round. Several tubes are joined by a polynomial smooth minimum (common practice, no source),
//     min(a, b) - h^2 blend / 4,   h = max(0, 1 - |a - b| / blend),
// which widens the lumen by at most blend / 4 for each pair, and only where both surfaces are within `blend`.
//
// f is the true distance to the surface for a lone tube of constant radius; elsewhere it is right in sign and
// near the surface right to first order in the slope of the radius. Units: mm. Frame: the recipe's (scene)
// frame S.
#pragma once

#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "geometry/phantom/recipe.h"
#include "geometry/phantom/tube_path.h"

namespace withy {

/// Why a recipe makes no channel.
enum class RecipeFault {
  branch_off_parent,  ///< a branch leaves its parent beyond the parent's length
  bend_too_tight,     ///< the radius of the lumen is more than the bend's: the inner wall would fold
  meets_itself,       ///< walls cross, or branches grow together again
  end_covered,        ///< an end that should be cut flat lies inside another tube
  too_fine,           ///< the edge length asks for more triangles than anybody wants
  too_coarse,         ///< the edge length is too long for the narrowest tube
  cut_short           ///< none that is wrong: the effort ended before there was one
};

/// `tube` is an index into the recipe's tubes.
struct RecipeRefusal {
  RecipeFault fault;
  int tube = 0;
  std::string problem;
  std::string remedy;
};

class TubeTree {
 public:
  static tl::expected<TubeTree, RecipeRefusal> make(const ChannelRecipe& recipe);

  struct Tube {
    TubePath path;
    RadiusProfile radius;
    bool flat_start = false;
    bool flat_far_end = false;
  };

  /// An end cut flat. z of the pose points out of the lumen.
  struct FlatEnd {
    int tube = 0;
    bool is_entry = false;
    Eigen::Isometry3d X;
    double radius_mm = 0.0;
  };

  const std::vector<Tube>& tubes() const { return tubes_; }
  const std::vector<FlatEnd>& flat_ends() const { return ends_; }  ///< the entry first

  /// f(p): below zero inside the lumen.
  double height(const Eigen::Vector3d& p) const;

  /// f_i(p) of one tube.
  double height_of_tube(int tube, const Eigen::Vector3d& p) const;

  /// Is p within `tolerance_mm` of this end's disc?
  static bool on_end(const FlatEnd& end, const Eigen::Vector3d& p, double tolerance_mm);

 private:
  std::vector<Tube> tubes_;
  std::vector<FlatEnd> ends_;
  double blend_mm_ = 0.0;
};

}  // namespace withy
