// SPDX-License-Identifier: GPL-3.0-or-later
// Which uniform field switches which lock.
//
// Lock i's magnet of moment m (A m^2; times mT = N mm) lies in the cross-section at its station and turns
// about the local tangent t_i. At angle a (from the local x-axis about t_i, the lock's clocking c_i included)
// its moment points along (cos a, sin a) and the field B turns it with the torque about the tangent
//     tau = t_i . (m x B) = m n_i(a) . B,    n_i(a) = R_i (-sin a, cos a, 0),
// R_i the rotation of the cross-section (torque of a dipole in a uniform field, m x B). "Towards latched" is
// the sense from angle_free to angle_latched as the two numbers stand (no wrapping), "towards free" the
// other.
//
// Switching lock i asks for tau >= tau_switch, in the sense of the switch, at every angle of the stroke
// [a_free, a_latched]: infinitely many half-spaces n_i(a) . B >= tau_switch / m. Their two end ones imply the
// rest: in the plane of n_i let B have direction beta; both ends hold with a positive right side only if both
// end normals are within a quarter turn of beta. With a stroke under half a turn the arc between the ends is
// the shorter one, so it lies within that quarter turn too, on which cos(beta - angle) is concave, so it is
// least at an end. A stroke of half a turn or more can't be driven by one constant field (some angle's torque
// is then zero or against). Every other lock j keeps its state: the torque away from its present stop is at
// most tau_hold, one half-space each. The least |B| in those half-spaces is a quadratic programme in three
// unknowns, solved exactly (least_norm_point).
#pragma once

#include <array>
#include <optional>
#include <span>

#include <Eigen/Core>

#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// All B with normal . B >= at_least; `normal` is a unit vector.
struct HalfSpace {
  Eigen::Vector3d normal;
  double at_least = 0.0;
};

/// The point of the half-spaces' common part that is nearest to the origin; nothing when they have none in
/// common.
///
/// At the nearest point B = sum lambda_i normal_i with lambda_i >= 0 over half-spaces that are active there
/// (Karush-Kuhn-Tucker), and by Caratheodory at most three independent ones suffice in three dimensions. So
/// every set of one, two or three half-spaces is tried: the point where all of the set are active, of least
/// norm; it is the answer when its multipliers are not negative and it lies in all half-spaces, and the
/// answer is unique because |B|^2 is strictly convex.
std::optional<Eigen::Vector3d> least_norm_point(std::span<const HalfSpace> half_spaces);

/// Rotation in E of the cross-section at each lock's station.
using LockRotations = std::array<Eigen::Matrix3d, kMaxLocks>;
LockRotations lock_rotations_E(const Design& design, const State& state);

/// By how much each lock's half-spaces are moved (mT): positive asks for more, negative for less. For bounds
/// over cells.
using FieldSlack = std::array<double, kMaxLocks>;

/// A stroke of half a turn or more: no constant field drives it.
bool stroke_too_wide(const LockHardware& lock);

/// The weakest field (mT, in E) that switches all of `switching` at once, each to its other state, and leaves
/// the other locks as `engaged` says they are. Nothing when no field does. Precondition: the design has
/// locks, `switching` is not empty.
std::optional<Eigen::Vector3d> weakest_field_E(const Design& design, const LockRotations& rotation_E,
                                               const LockSet& engaged, const LockSet& switching,
                                               const FieldSlack& slack_mT = {});

enum class FieldRefusal {
  stroke_too_wide,  ///< the magnet's stroke is half a turn or more
  inseparable,      ///< no field of any strength switches the lock and leaves the others
  too_strong        ///< the weakest field that does is above the limit
};

/// What it takes to switch one lock in one pose.
struct FieldNeed {
  std::optional<Eigen::Vector3d> field_S;  ///< mT, the weakest; absent when there is none of any strength
  std::optional<FieldRefusal> refusal;     ///< why the switch is not allowed; absent when it is
  int lock_in_the_way = -1;  ///< a lock without which it would be allowed; -1: none, or more than one
  double strength_mT() const { return field_S ? field_S->norm() : 0.0; }
  bool allowed() const { return !refusal.has_value(); }
};

/// The weakest field that switches `lock` to its other state in `state`, against the field limit if the
/// design has one.
FieldNeed least_field(const Design& design, const State& state, int lock);

/// Coil currents (A) that make the field: its components along the coil axes over each axis' constant.
Eigen::Vector3d coil_currents_A(const FieldHardware& field, const Eigen::Vector3d& field_S_mT);

/// Field in the middle of a Helmholtz pair, per ampere: (4/5)^(3/2) mu0 n / R_c.
double helmholtz_mT_per_A(double turns, double radius_mm);

/// Moment of a magnet of uniform remanence: B_r V / mu0.
double magnet_moment_Am2(double remanence_T, double volume_mm3);

/// Magnetic constant (T m / A): CODATA 2018.
inline constexpr double kMu0 = 1.25663706212e-6;

}  // namespace withy
