// SPDX-License-Identifier: GPL-3.0-or-later
// What field the coils make where, per ampere.
//
// A thin circular loop of radius a and n turns, current I, at distance rho from its axis and height z above
// its plane (W. R. Smythe, "Static and Dynamic Electricity", 3rd ed. 1968, section 7.10):
//     B_z   = mu0 n I / (2 pi alpha) [ K + (a^2 - rho^2 - z^2) / beta^2 E ] (1) B_rho = mu0 n I z / (2 pi
//     alpha rho) [ -K + (a^2 + rho^2 + z^2) / beta^2 E ]                          (2)
// with alpha^2 = (a + rho)^2 + z^2, beta^2 = (a - rho)^2 + z^2 and the complete elliptic integrals K, E of
// modulus k, k^2 = 4 a rho / alpha^2. The bracket of (2) is a small difference near the axis; with beta^2 =
// alpha^2 (1 - k^2) it is there the series
//     (3 pi / 32) k^4 (1 + 5/4 k^2 + O(k^4)) (3)
//
// How fast that changes from place to place: by Biot and Savart B is the sum of mu0 n I / (4 pi) dl x r / r^3
// over the loop, and no derivative of r / r^3 is larger than 2 / r^3 (it has eigenvalues 1, 1, -2 over r^3),
// so at a distance of at least w from the whole wire
//     |B| <= mu0 n I a / (2 w^2),   |dB/dp| <= mu0 n I a / w^3. (4)
//
// Units: mm, mT, A. Frames: S where the coils are placed, E for places of the body.
#pragma once

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

/// Magnetic constant (T m / A): CODATA 2018.
inline constexpr double kMu0 = 1.25663706212e-6;

/// mT mm / A: kMu0 in the units of this file.
inline constexpr double kMu0_mT_mm_per_A = kMu0 * 1e6;

/// Field (mT) of one ampere through `coil` at `p_S` (mm), in S. Not finite on the wire itself.
Eigen::Vector3d coil_field_mT_per_A(const Coil& coil, const Eigen::Vector3d& p_S);

/// Least distance (mm) from `p_S` to the coil's wire.
double distance_to_wire_mm(const Coil& coil, const Eigen::Vector3d& p_S);

/// Bounds (4) for one ampere: of the field (mT/A), of its change (mT/A per mm), at places at least `wire_mm`
/// from the wire; infinite at 0.
double coil_field_bound(const Coil& coil, double wire_mm);
double coil_gradient_bound(const Coil& coil, double wire_mm);

/// Columns: the field of each coil per ampere (mT/A).
using CoilGains = Eigen::Matrix<double, 3, Eigen::Dynamic, Eigen::ColMajor, 3, kMaxCoils>;

/// Currents (A), one for each coil.
using Currents = Eigen::Matrix<double, Eigen::Dynamic, 1, Eigen::ColMajor, kMaxCoils, 1>;

/// Currents that a field is made with: those of the design's coils; without [field] three that stand for the
/// field's own components in S, one mT each.
int current_count(const Design& design);

/// Gains in the entry frame at a place of the entry frame.
CoilGains coil_gains_E(const Design& design, const Eigen::Vector3d& p_E);

/// Electrical power (W) that `current_A` takes; nothing where a coil's resistance isn't given.
std::optional<double> coil_power_W(const FieldHardware& field, const Currents& current_A);

/// Field in the middle of a Helmholtz pair, per ampere: (4/5)^(3/2) mu0 n / R_c.
double helmholtz_mT_per_A(double turns, double radius_mm);

}  // namespace withy
