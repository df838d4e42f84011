// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: channels whose distances are known in closed form.
#pragma once

#include <string>

#include "tests/support/plain_mesh.h"

namespace withy_plain {

/// |x|, |y| <= half_width, 0 <= z <= length, the face at z = 0 left open: 10 triangles. Inside, the distance
/// to the wall is min(half_width - |x|, half_width - |y|, length - z), exactly.
Mesh box_channel(double half_width_mm, double length_mm);

/// A tube of radius a about the arc of radius A that starts at the origin along z and bends towards +x by
/// `bend_rad`; open at z = 0, closed at the far end. Inside, far from that end, the distance to the true
/// torus is a - |q|, q from the nearest point of the arc. Facets stray from the torus by at most a (1 -
/// cos(pi / around)) + (A + a) (1 - cos(bend / (2 along))).
Mesh torus_channel(double bend_radius_mm, double tube_radius_mm, double bend_rad, int along, int around);
double torus_facet_error(double bend_radius_mm, double tube_radius_mm, double bend_rad, int along,
                         int around);

/// Distance to the true torus tube's wall, positive inside.
double torus_distance(double bend_radius_mm, double tube_radius_mm, const Eigen::Vector3d& p);

void write_off(const Mesh& mesh, const std::string& path);

}  // namespace withy_plain
