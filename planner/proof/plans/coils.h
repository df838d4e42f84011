// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own coils: the field that currents make at a place, enclosed.
//
// A thin loop of radius a and n turns carrying I, at height z above its plane and distance rho from its axis
// (Biot and Savart; J. D. Jackson, "Classical Electrodynamics", 3rd ed., 5.4):
//     B_z   = mu0 n I a / (4 pi) integral over a turn of (a - rho cos phi) / D^(3/2) d phi,
//     B_rho = mu0 n I a / (4 pi) integral over a turn of z cos phi / D^(3/2) d phi,
//     D = a^2 + rho^2 + z^2 - 2 a rho cos phi.
// The integrands are periodic and analytic. By the trapezoidal rule with N points the error is at most
// 4 pi M / (e^(s N) - 1), M their bound where |Im phi| < s (L. N. Trefethen and J. A. C. Weideman, "The
// exponentially convergent trapezoidal rule", SIAM Review 56, 2014, theorem 3.2). With cosh s =
// (1 + q) / 2, q = (a^2 + rho^2 + z^2) / (2 a rho), Re D is at least half of (a - rho)^2 + z^2 there, and
// |cos phi| at most cosh s.
//
// Coils without places make the same field everywhere: coil_mT_per_A along the coil frame's axes.
#pragma once

#include <vector>

#include <Eigen/Geometry>

#include "planner/proof/recheck/field.h"

namespace withy::recheck {

/// Field (mT) of one ampere through a coil at a place of the scene frame. Everything near the wire, where it
/// can't be enclosed.
Interval3 loop_field(const Coil& coil, const Interval3& p_S);

/// Field (mT, E) that currents make at places in E. Precondition: one current for each coil.
std::vector<Interval3> coils_field(const FieldHardware& field, const Eigen::Isometry3d& X_SE,
                                   const std::vector<double>& current_A,
                                   const std::vector<Interval3>& places_E);

/// A vector of E in S.
Interval3 in_scene(const Eigen::Matrix3d& R_SE, const Interval3& v_E);

}  // namespace withy::recheck
