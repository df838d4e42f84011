// SPDX-License-Identifier: GPL-3.0-or-later
// Makes a phantom's channel: a recipe in, a clean triangle mesh out.
//
// A single tube is swept (geometry/phantom/tube_sweep.h); a branching one is meshed from the exact lumen as
// an implicit surface (geometry/phantom/branch_mesher.h). Either way the mesh is one manifold shell, normals
// out of the lumen, free of self-crossings, and is refused with a named cause otherwise; ends the recipe
// calls open are then left out.
//
// Vertices lie on the exact surface, so facets are chords of it. Where the wall is hollow (everywhere across
// a tube) they cut into the lumen: for a straight tube of radius r and edge length e by r (1 - cos(pi / n)),
// n = 2 pi r / e sides, which is about e^2 / (8 r). Where it is arched, along the inside of a bend or at a
// crotch between branches, they leave it: by about e^2 / (8 (rho - r)) on the inside of a bend of radius rho.
// So the mesh's lumen is neither contained in the exact one nor contains it; both gaps are measured on the
// mesh made and reported.
//
// Same recipe and build, same mesh, byte for byte. Units: mm. Frame: the recipe's (scene) frame S.
#pragma once

#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"
#include "geometry/phantom/recipe.h"
#include "geometry/phantom/tube_tree.h"
#include "planner/effort/effort.h"

namespace withy {

struct MadeChannel {
  TriangleMesh mesh_S;
  double facets_inside_mm = 0.0;   ///< farthest that a facet cuts into the exact lumen
  double facets_outside_mm = 0.0;  ///< farthest that a facet leaves the exact lumen
};

/// Where the effort is cut short: RecipeFault::cut_short.
tl::expected<MadeChannel, RecipeRefusal> make_channel_mesh(const ChannelRecipe& recipe,
                                                           const Effort& effort = Effort());

}  // namespace withy
