// SPDX-License-Identifier: GPL-3.0-or-later
// Designs for tests of the elastic segment, and the same for the plain implementation.
#pragma once

#include <cmath>
#include <random>
#include <vector>

#include "planner/elastic/elastic_segment.h"
#include "planner/plan/answer.h"
#include "tests/support/plain_elastic.h"

namespace withy_test {

/// A segment of 100 mm and 400 N mm2 that weighs nothing, with stiff wires and no friction, play or locks.
inline withy::DesignParts bare_parts() {
  withy::DesignParts parts;
  parts.segment = {100.0, 1.5, 0.0, 0.05, 400.0};
  parts.tendons = withy::TendonHardware{
      1.2, {0.0, M_PI / 2, M_PI, 3 * M_PI / 2}, 0.0, 50.0, 0.0, 1e4, 0.0, withy::Motors::ride};
  parts.carriage = {withy::CarriageKind::free, 160.0};
  withy::ElasticHardware elastic;
  elastic.gravity_S = {0.0, -1.0, 0.0};
  elastic.tendon_EA_N = 1e9;
  elastic.tendon_length_mm = 300.0;
  elastic.backbone_EA_N = 1e9;
  elastic.torsional_rigidity_Nmm2 = 320.0;
  parts.elastic = elastic;
  return parts;
}

inline void add_locks(withy::DesignParts& parts, const std::vector<double>& station_mm) {
  parts.lock = withy::LockHardware{4.0, 1.8, 0.004, 0.0, M_PI / 2, 0.01, 0.004, 60.0};
  parts.layout.station_mm = station_mm;
  parts.layout.clock_rad.assign(station_mm.size(), 0.0);
  parts.latch =
      withy::LatchHardware{0.0, 1.2, {M_PI / 4, 3 * M_PI / 4, 5 * M_PI / 4, 7 * M_PI / 4}, 0.0, 0.0, 0.0};
}

/// Usual wires: steel tendons of 0.2 mm, nickel-titanium backbones of 0.3 mm.
inline withy::DesignParts usual_parts(const std::vector<double>& station_mm) {
  withy::DesignParts parts = bare_parts();
  parts.segment.tip_rigid_mm = 3.0;
  parts.tendons->tension_min_N = 0.2;
  parts.tendons->friction_coefficient = 0.1;
  parts.elastic->mass_g_per_mm = 0.02;
  parts.elastic->lock_mass_g = 0.3;
  parts.elastic->tendon_EA_N = 6283.0;
  parts.elastic->backbone_EA_N = 4241.0;
  if (!station_mm.empty()) add_locks(parts, station_mm);
  if (!station_mm.empty()) parts.latch->backlash_mm = 0.02;
  return parts;
}

inline withy::Design made(const withy::DesignParts& parts) {
  return withy::Design::make(parts).value();
}

/// Usual parts, but with friction between disks and far stiffer tendons: they go slack and taut at a touch.
inline withy::Design with_stiff_tendons(double disk_spacing_mm, double tendon_EA_N, double tendon_length_mm) {
  withy::DesignParts parts = usual_parts({});
  parts.tendons->disk_spacing_mm = disk_spacing_mm;
  parts.tendons->friction_coefficient = 0.2;
  parts.elastic->tendon_EA_N = tendon_EA_N;
  parts.elastic->tendon_length_mm = tendon_length_mm;
  return made(parts);
}

/// Steered to one state, which is the one that is reached, and back to the start.
inline withy::Plan there_and_back(const withy::State& there) {
  withy::Plan plan;
  plan.states = {{withy::start_state()}, {there}, {withy::start_state()}};
  for (const int from : {0, 1}) {
    withy::PlannedAction action;
    action.kind = withy::ActionKind::steer;
    action.from = from;
    action.to = from + 1;
    plan.actions.push_back(action);
  }
  plan.reached_state = 1;
  return plan;
}

inline Eigen::VectorXd pulls_for(const withy::Design& design, const Eigen::Vector2d& bend_rad) {
  const withy::TendonHardware& tendons = *design.tendons();
  Eigen::VectorXd pull(static_cast<Eigen::Index>(tendons.angle_rad.size()));
  for (Eigen::Index k = 0; k < pull.size(); ++k) {
    const double beta = tendons.angle_rad[static_cast<std::size_t>(k)];
    pull(k) = tendons.radius_mm * Eigen::Vector2d(std::cos(beta), std::sin(beta)).dot(bend_rad);
  }
  return pull;
}

inline withy_plain::ElasticRobot plain_of(const withy::Design& design) {
  const withy::ElasticHardware& elastic = *design.elastic();
  withy_plain::ElasticRobot robot;
  robot.length_mm = design.length_mm();
  robot.tip_rigid_mm = design.segment().tip_rigid_mm;
  robot.EI = design.segment().flexural_rigidity_Nmm2;
  robot.GJ = elastic.torsional_rigidity_Nmm2;
  robot.mass_g_per_mm = elastic.mass_g_per_mm;
  robot.lock_mass_g = elastic.lock_mass_g;
  robot.gravity_E = design.R_SE().transpose() * elastic.gravity_S;
  robot.tendon_radius_mm = design.tendons()->radius_mm;
  robot.tendon_angle_rad = design.tendons()->angle_rad;
  robot.tendon_EA_N = elastic.tendon_EA_N;
  robot.tendon_length_mm = elastic.tendon_length_mm;
  robot.pretension_N = design.tendons()->tension_min_N;
  robot.friction = design.tendons()->friction_coefficient;
  robot.motors_stand = design.tendons()->motors == withy::Motors::stand;
  robot.guide = design.carriage().kind == withy::CarriageKind::guide;
  if (design.lock_count() > 0) {
    robot.lock_station_mm = design.layout().station_mm;
    robot.lock_length_mm = design.lock().body_length_mm;
    robot.backbone_radius_mm = design.latch()->backbone_radius_mm;
    robot.backbone_angle_rad = design.latch()->backbone_angle_rad;
    robot.backbone_EA_N = elastic.backbone_EA_N;
    robot.backlash_mm = design.latch()->backlash_mm;
    robot.pitch_mm = design.latch()->notch_pitch_mm;
  }
  return robot;
}

}  // namespace withy_test
