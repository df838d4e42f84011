// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: coils, magnets and what switches a lock.
//
// Written apart from the planner's: a coil's field is the law of Biot and Savart summed over its wire,
// torques are cross products of moments and fields in the scene frame, strokes are sampled, and the least
// currents are found by trying every set of conditions.
#pragma once

#include <optional>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

/// Field (mT) of one ampere through a coil at a place (mm), scene frame: 720 straight pieces, each taken at
/// its middle. Away from the wire the sum over a whole turn converges faster than any power of the number.
Eigen::Vector3d coil_field(const Coil& coil, const Eigen::Vector3d& p_S);

/// Field (mT) of a dipole (A m^2) at r (mm) from it.
Eigen::Vector3d dipole_field(const Eigen::Vector3d& moment, const Eigen::Vector3d& r);

/// How many currents make the field: one for each coil, three in a uniform field.
int current_count(const Robot& robot);

/// Column k: field of one ampere in coil k at lock i, scene frame. Without [field]: one mT along each axis.
Eigen::MatrixXd gains(const Robot& robot, const State& state, int i);

/// The coils' field at lock i.
Eigen::Vector3d field_at(const Robot& robot, const State& state, int i, const Eigen::VectorXd& current_A);

/// The coils' field at the lock where it is strongest (mT).
double strongest(const Robot& robot, const State& state, const Eigen::VectorXd& current_A);

/// Torque (N mm) on lock i away from its stop from the other locks' magnets alone, all at their stops.
double coupling(const Robot& robot, const State& state, int i);

/// The largest x for which the currents turn the lock with x times its switch torque at every angle of its
/// stroke and push every other off its stop with at most hold torque / x, ambient field and magnets at their
/// worst: own stroke at one angle more than `steps`, and as many of the magnet as it acts on the others.
double reserve(const Robot& robot, const State& state, int lock, const Eigen::VectorXd& current_A,
               int steps = 2000);

/// row . I >= least: what a reserve asks of the currents, two for the lock that switches (at either end of
/// its stroke), one for each other.
struct Condition {
  Eigen::VectorXd row;
  double least = 0;
};
std::vector<Condition> conditions(const Robot& robot, const State& state, int lock, double wanted);

/// Currents of least sum of squares for a reserve, whatever the limits; nothing when there are none.
std::optional<Eigen::VectorXd> least_currents(const Robot& robot, const State& state, int lock,
                                              double reserve);

/// The currents that a plan should hold: those of the reserve that is wanted, or of the greatest that keeps
/// the field limit, found by bisection. For uniform fields of equal constants only: there the least currents
/// are those of the weakest field. Nothing when the reserve would be below 1.
std::optional<Eigen::VectorXd> chosen_currents(const Robot& robot, const State& state, int lock);

/// What of the limits on field and currents is broken, as a share above them; 0 when nothing is.
double limits_passed(const Robot& robot, const State& state, const Eigen::VectorXd& current_A);

/// Are all currents alike in what they make, and everywhere?
bool even_field(const Robot& robot);

}  // namespace withy_plain
