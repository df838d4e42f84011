// SPDX-License-Identifier: GPL-3.0-or-later
// The lumen's surface out of the surface of a solid body round it: of a printed block, of a model's wall.
//
// A face of the body is outside where more than half of the rays that leave it, spread evenly by the cosine
// law, meet nothing (the ambient occlusion of S. Zhukov, A. Iones and G. Kronin, "An Ambient Light
// Illumination Model", Rendering Techniques 1998). On a tube's wall at its very mouth that share is a half,
// and falls with depth; on a convex outside it is one. What is left once the largest patch of outside faces
// is taken away is lumen; its borders are the openings. A body that holds its lumen as a closed void inside
// is not this but a nested shell. Rays: Embree.
//
// Units: mm. Frame: the mesh's.
#pragma once

#include <vector>

#include "geometry/mesh/mesh.h"
#include "planner/effort/effort.h"

namespace withy {

/// The walls of lumens in the body, largest area first, normals out of the lumen. `body` is closed, normals
/// out of the solid. None where no face is hidden.
std::vector<TriangleMesh> lumens_of_body(const TriangleMesh& body, const Effort& effort = Effort());

}  // namespace withy
