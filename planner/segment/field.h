// SPDX-License-Identifier: GPL-3.0-or-later
// Which coil currents switch which lock, and with what reserve.
//
// Lock i's magnet of moment m (A m^2; times mT = N mm) lies in the cross-section at its station and turns
// about the local tangent t_i. At angle a (from the local x-axis about t_i, the lock's clocking c_i included)
// its moment points along u_i(a) = R_i (cos a, sin a, 0), and a field B at its place p_i turns it with the
// torque about the tangent
//     tau = t_i . (m u_i x B) = m n_i(a) . B,    n_i(a) = R_i (-sin a, cos a, 0), (1)
// R_i the rotation of the cross-section (torque of a dipole in a field, m x B). "Towards latched" is the
// sense from angle_free to angle_latched as the two numbers stand (no wrapping), "towards free" the other.
//
// The field at lock i is the coils' G_i I (coils.h, at p_i), plus the ambient field, plus that of every other
// lock's magnet j, a dipole at r = p_i - p_j (J. D. Jackson, "Classical Electrodynamics", 3rd ed., 5.56):
//     B_ij = D_ij u_j,    D_ij = mu0 m / (4 pi r^3) (3 r^ r^T - 1),  r^ = r / |r|. (2)
// A magnet that rests lies at its present stop; one that switches may be anywhere on its stroke.
//
// Switching with reserve x asks for
//     torque towards the other stop >= x tau_switch, at every angle of the stroke of each lock that switches,
//     torque away from the present stop <= tau_hold / x, on every other lock, (3)
// ambient and other magnets at their worst and not scaled: an ambient field of unknown direction takes
// m |B_ambient| from each torque. The reserve of given currents is the largest x for which (3) holds.
//
// Both ends of a stroke imply the rest of (3). For a lock that switches, the torque less the worst of the
// others is f(n) = s n . v - max_j,alpha(...), s the sense, v fixed: a concave function of n, homogeneous of
// degree one, over the plane of the cross-section. A normal n between the end ones n_1, n_2 is a n_1 + b n_2
// with a, b >= 0 and a + b >= 1 when they are less than half a turn apart, so f(n) >= a f(n_1) + b f(n_2) >=
// f's demand, which is not negative. A stroke of half a turn or more can't be driven by one constant field
// (some angle's torque is then zero or against).
//
// (3) is linear in I for a given x: the currents are those of least sum of squares (least_currents.h) that
// meet it with the coils' field within strength_max at every lock and each current within its coil's limit.
// They are chosen for the reserve that the scene wants; where the limits don't allow it, for the greatest
// there is; below 1 the switch is not allowed.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/coils.h"
#include "planner/segment/design.h"
#include "planner/segment/least_currents.h"
#include "planner/segment/state.h"

namespace withy {

/// Pose in E of the cross-section at each lock's station.
struct LockPoses {
  std::array<Eigen::Matrix3d, kMaxLocks> R_E;
  std::array<Eigen::Vector3d, kMaxLocks> p_E;  ///< mm
};
LockPoses lock_poses_E(const Design& design, const State& state);

/// The set of one lock.
LockSet only(int lock);

/// A stroke of half a turn or more: no constant field drives it.
bool stroke_too_wide(const LockHardware& lock);

/// Field (mT) of a dipole of moment `m_Am2` at `r_mm` from it.
Eigen::Vector3d dipole_field_mT(const Eigen::Vector3d& m_Am2, const Eigen::Vector3d& r_mm);

/// mu0 / (4 pi) in mT mm^3 / (A m^2).
inline constexpr double kDipole = kMu0 / (4.0 * 3.14159265358979323846) * 1e12;

/// Torque (N mm) with which the magnets of all other locks, each at its present stop, turn lock `lock` away
/// from its present stop; negative: onto it.
double coupling_push_Nmm(const Design& design, const LockPoses& poses, const LockSet& engaged, int lock);

/// One demand of (3) on the coils' field at a lock: normal . (G I) >= its share that goes with the reserve +
/// `base_mT`.
struct TorqueDemand {
  int lock = 0;
  Eigen::Vector3d normal_E;  ///< unit vector
  bool drives = false;       ///< of a lock that switches: x tau_switch / m; else -tau_hold / (m x)
  double base_mT = 0.0;      ///< what ambient field and other magnets add to it
};

/// All of (3) for switching all of `switching` at once, each to its other state, the other locks as `engaged`
/// says they are: two for each lock that switches (at either end of its stroke), one for each other.
/// Precondition: `switching` is not empty.
std::vector<TorqueDemand> torque_demands(const Design& design, const LockPoses& poses, const LockSet& engaged,
                                         const LockSet& switching);

/// What a demand comes to at a reserve (mT).
double demanded_mT(const LockHardware& lock, const TorqueDemand& demand, double reserve);

/// Gains at every lock's place, and the scene's limits on field and currents; without [field] none.
CurrentLimits current_limits(const Design& design, const LockPoses& poses);

/// Currents that switch, as chosen by the rule above.
struct SwitchCurrents {
  Currents current_A;        ///< without [field]: the field's components in S (mT)
  double reserve = 0.0;      ///< that they have; for several locks at once, that they were chosen for
  double strength_mT = 0.0;  ///< of the coils' field, the largest at any lock
};

/// Reserves below this are not told from none.
inline constexpr double kLeastReserve = 1e-3;

/// What currents must have in the other poses that they are to serve too (`also` below): 1, and a thousandth
/// to spare for what lies between those poses.
inline constexpr double kReserveBeside = 1.001;

/// The currents for `wanted`, or for the greatest reserve from `least` on within the limits; nothing when no
/// currents within the limits have a reserve of `least`. In the poses of `also`, which they are on during a
/// hunt, they keep the limits too and have a reserve of kReserveBeside.
std::optional<SwitchCurrents> best_currents(const Design& design, const LockPoses& poses,
                                            const LockSet& engaged, const LockSet& switching, double wanted,
                                            double least = kLeastReserve,
                                            std::span<const LockPoses> also = {});

/// The currents of least sum of squares for a reserve, whatever the limits; nothing when there are none.
std::optional<SwitchCurrents> unlimited_currents(const Design& design, const LockPoses& poses,
                                                 const LockSet& engaged, const LockSet& switching,
                                                 double reserve);

/// The reserve of given currents: the largest x for which (3) holds, in closed form, all angles of the stroke
/// looked at. Infinite where nothing limits it (torques of 0); 0 or less where the lock is not turned.
double reserve_of(const Design& design, const LockPoses& poses, const LockSet& engaged, int lock,
                  const Currents& current_A);

/// Least of the torque per moment (mT) that a field with in-plane components `b` (local x, y) makes over
/// angles from `a0` to `a1`: of b_y cos a - b_x sin a.
double least_torque_mT(const Eigen::Vector2d& b, double a0_rad, double a1_rad);

enum class FieldRefusal {
  stroke_too_wide,  ///< the magnet's stroke is half a turn or more
  inseparable,      ///< no field of any strength switches the lock and leaves the others
  too_strong,       ///< the least currents that do make more than the field limit
  too_much_current  ///< the least currents that do are above a coil's limit
};

/// What it takes to switch one lock in one pose with a reserve of 1.
struct FieldNeed {
  std::optional<Eigen::Vector3d> field_S;  ///< mT at the lock, of least sum of squared currents; absent when
                                           ///< there is none of any strength
  double largest_mT = 0.0;                 ///< of that field, at any lock
  std::optional<FieldRefusal> refusal;     ///< why the switch is not allowed; absent when it is
  int lock_in_the_way = -1;  ///< a lock without which it would be allowed; -1: none, or more than one
  int coil = -1;             ///< too_much_current only: the coil, from 0
  double current_A = 0.0;    ///< too_much_current only: what it would have to carry
  double strength_mT() const { return field_S ? largest_mT : 0.0; }
  bool allowed() const { return !refusal.has_value(); }
};

/// The least field that switches `lock` to its other state in `state` with a reserve of 1, within the
/// design's limits if it has any.
FieldNeed least_field(const Design& design, const State& state, int lock);

/// Is there a field for that reserve? With 1 the same as least_field(..).allowed(), for less.
bool field_switches(const Design& design, const State& state, int lock, double reserve = 1.0);

/// What a plan does to switch `lock`: the currents for the reserve that the scene wants, or the greatest;
/// nothing where that is below 1.
struct SwitchChoice {
  SwitchCurrents currents;
  Eigen::Vector3d field_S = Eigen::Vector3d::Zero();  ///< mT, the coils' field at the lock
};
std::optional<SwitchChoice> choose_field(const Design& design, const State& state, int lock,
                                         std::span<const LockPoses> also = {});

/// The coils' field (mT, in S) at lock `lock`.
Eigen::Vector3d field_at_lock_S(const Design& design, const LockPoses& poses, int lock,
                                const Currents& current_A);

/// The reserve that the design wants of a switch.
double reserve_wanted(const Design& design);

/// Coil currents (A) that make a uniform field: its components along the coil axes over each axis' constant.
/// Precondition: no coils with places.
Eigen::Vector3d coil_currents_A(const FieldHardware& field, const Eigen::Vector3d& field_S_mT);

/// Moment of a magnet of uniform remanence: B_r V / mu0.
double magnet_moment_Am2(double remanence_T, double volume_mm3);

/// Locks whose magnets move one another off a stop in the straight segment: the worst over all sets of
/// engaged locks.
struct TooNear {
  int pushed = 0;  ///< lock that leaves its stop
  int by = 0;      ///< neighbour that pushes it most
  double torque_Nmm = 0.0;
  double spacing_mm = 0.0;         ///< between the two
  double spacing_wanted_mm = 0.0;  ///< at which the torque would be the hold torque, all spacings grown alike
};
std::optional<TooNear> too_near(const Design& design);

/// The finding as a sentence with torque, limit and the spacing that would do, without its full stop.
std::string sentence_of(const TooNear& near, const Design& design);

/// Least distance (mm) that two locks can have while every curvature keeps its limit: a curve of no more than
/// that curvature is no shorter from end to end than the arc of it (A. Schur's theorem, e.g. M. P. do Carmo,
/// "Differential Geometry of Curves and Surfaces", section 5-7), 2 / kappa sin(kappa l / 2) while that is
/// less than a turn; 0 beyond.
double least_lock_distance_mm(const Design& design, int a, int b);

/// The weakest uniform field (mT) that switches a lock alone with a reserve of 1, at any bend:
/// (tau_switch / m + ambient) / cos(stroke / 2), less what the other locks' magnets may help. Nothing below
/// it ever switches a lock. Infinite for a stroke of half a turn or more.
double least_strength_mT(const Design& design);

/// More (mT) than the coils make at any place that a lock gets to, each at its current limit: the sum of what
/// each makes (coils.h, 4) at the least distance from its wire to a ball that holds all those places.
/// Infinite where some coil has no limit, or a lock may come near its wire.
double most_coil_field_mT(const Design& design);

}  // namespace withy
