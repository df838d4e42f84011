// SPDX-License-Identifier: GPL-3.0-or-later
// From a design and its states to those of the plain implementation in tests/support.
#pragma once

#include "planner/segment/state.h"
#include "tests/support/plain_hardware.h"
#include "tests/support/plain_scene.h"

namespace withy_test {

inline withy_plain::Field plain_field(const withy::FieldHardware& field) {
  withy_plain::Field plain;
  plain.strength_max_mT = field.strength_max_mT;
  plain.coil_mT_per_A = field.coil_mT_per_A;
  plain.coil_axes_S = field.R_SC.transpose();
  plain.reserve_wanted = field.reserve_wanted;
  plain.ambient_mT = field.ambient_mT;
  plain.ambient_S = field.ambient_S;
  for (const withy::Coil& c : field.coils)
    plain.coils.push_back({c.centre_S, c.axis_S, c.radius_mm, c.turns, c.resistance_ohm, c.current_max_A});
  return plain;
}

inline withy_plain::Tendons plain_tendons(const withy::TendonHardware& tendons) {
  withy_plain::Tendons plain;
  plain.radius_mm = tendons.radius_mm;
  plain.disk_spacing_mm = tendons.disk_spacing_mm;
  plain.stroke_max_mm = tendons.stroke_max_mm;
  plain.tension_min_N = tendons.tension_min_N;
  plain.tension_max_N = tendons.tension_max_N;
  plain.friction = tendons.friction_coefficient;
  plain.angle_rad = tendons.angle_rad;
  plain.motors_ride = tendons.motors == withy::Motors::ride;
  return plain;
}

/// What kinematics and hardware need of a design with locks.
inline withy_plain::Robot plain_robot(const withy::Design& design) {
  withy_plain::Robot robot;
  robot.scene.X_SE.linear() = design.R_SE();
  robot.scene.X_SE.translation() = design.p_SE();
  robot.scene.length_mm = design.segment().length_mm;
  robot.scene.radius_mm = design.segment().radius_mm;
  robot.scene.tip_rigid_mm = design.segment().tip_rigid_mm;
  robot.scene.rigidity_Nmm2 = design.segment().flexural_rigidity_Nmm2;
  const withy::LockHardware& lock = design.lock();
  robot.scene.lock = withy_plain::Lock{lock.body_length_mm,  lock.body_radius_mm,    lock.magnet_Am2,
                                       lock.angle_free_rad,  lock.angle_latched_rad, lock.switch_torque_Nmm,
                                       lock.hold_torque_Nmm, lock.hold_moment_Nmm};
  robot.layout = {design.layout().station_mm, design.layout().clock_rad};
  robot.scene.guide = design.carriage().kind == withy::CarriageKind::guide;
  if (design.tendons()) robot.scene.tendons = plain_tendons(*design.tendons());
  if (design.field()) robot.scene.field = plain_field(*design.field());
  return robot;
}

inline withy_plain::State plain_state(const withy::Design& design, const withy::State& state) {
  withy_plain::State out;
  out.insertion_mm = state.insertion_mm;
  for (int i = 0; i < design.lock_count(); ++i)
    out.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  for (const withy::Region& region : withy::regions_of(design, state))
    out.regions.push_back({region.from_mm, region.to_mm, region.u});
  return out;
}

}  // namespace withy_test
