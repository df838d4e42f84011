// SPDX-License-Identifier: GPL-3.0-or-later
// Benches with a switching field, random states and boxes on them, and the same for the plain implementation.
// Header only, so that the plain library itself keeps clear of the planner.
#pragma once

#include <cmath>
#include <optional>
#include <random>
#include <utility>
#include <vector>

#include <Eigen/Geometry>

#include "planner/segment/hardware.h"
#include "tests/support/plain_field.h"

namespace withy_test {

using withy::CarriageKind;
using withy::Coil;
using withy::Design;
using withy::DesignParts;
using withy::FieldHardware;
using withy::kUsualAmbient_mT;
using withy::LockHardware;
using withy::Region;
using withy::State;
using withy::StateBox;

inline constexpr double kDegree = M_PI / 180.0;

inline DesignParts parts_with(std::vector<double> station_mm, const std::vector<double>& clock_deg) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout.station_mm = std::move(station_mm);
  for (const double c : clock_deg) parts.layout.clock_rad.push_back(c * kDegree);
  parts.carriage = {CarriageKind::free, 160};
  FieldHardware field{10, {1.8, 1.8, 1.8}, Eigen::Matrix3d::Identity()};
  field.ambient_mT = kUsualAmbient_mT;
  parts.field = field;
  parts.R_SE = Eigen::AngleAxisd(0.7, Eigen::Vector3d(1, 2, -1).normalized()).toRotationMatrix();
  parts.p_SE = {12, -30, 8};
  return parts;
}

inline Design design_of(DesignParts parts) {
  return Design::make(std::move(parts)).value();
}

/// Three Helmholtz pairs about the entry, currents free; not quite alike.
inline std::vector<Coil> three_pairs(const DesignParts& parts, std::optional<double> most_A = std::nullopt) {
  std::vector<Coil> coils;
  for (int axis = 0; axis < 3; ++axis) {
    const Eigen::Vector3d along = Eigen::Vector3d::Unit(axis);
    const double radius = 150 + 30 * axis;
    for (const double side : {-0.5, 0.5})
      coils.push_back({parts.p_SE + side * radius * along, along, radius, 250, 2.0, most_A});
  }
  return coils;
}

/// The wires seen by the plain implementation.
inline withy_plain::Robot plain_robot(const Design& design) {
  withy_plain::Robot robot;
  robot.scene.length_mm = design.segment().length_mm;
  robot.scene.tip_rigid_mm = design.segment().tip_rigid_mm;
  robot.scene.X_SE.linear() = design.R_SE();
  robot.scene.X_SE.translation() = design.p_SE();
  const LockHardware& lock = design.lock();
  robot.scene.lock = withy_plain::Lock{lock.body_length_mm,  lock.body_radius_mm,    lock.magnet_Am2,
                                       lock.angle_free_rad,  lock.angle_latched_rad, lock.switch_torque_Nmm,
                                       lock.hold_torque_Nmm, lock.hold_moment_Nmm};
  robot.layout = {design.layout().station_mm, design.layout().clock_rad};
  robot.scene.guide = design.carriage().kind == CarriageKind::guide;
  const FieldHardware& field = *design.field();
  withy_plain::Field plain;
  plain.strength_max_mT = field.strength_max_mT;
  plain.coil_mT_per_A = field.coil_mT_per_A;
  plain.coil_axes_S = field.R_SC.transpose();
  plain.reserve_wanted = field.reserve_wanted;
  plain.ambient_mT = field.ambient_mT;
  plain.ambient_S = field.ambient_S;
  for (const Coil& c : field.coils)
    plain.coils.push_back({c.centre_S, c.axis_S, c.radius_mm, c.turns, c.resistance_ohm, c.current_max_A});
  robot.scene.field = plain;
  return robot;
}

inline withy_plain::State plain_state(const Design& design, const State& state) {
  withy_plain::State plain;
  plain.insertion_mm = state.insertion_mm;
  for (int i = 0; i < design.lock_count(); ++i)
    plain.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  for (const Region& region : regions_of(design, state))
    plain.regions.push_back({region.from_mm, region.to_mm, region.u});
  return plain;
}

class RandomStates {
 public:
  explicit RandomStates(unsigned seed) : random_(seed) {}
  double between(double lo, double hi) { return std::uniform_real_distribution<double>(lo, hi)(random_); }
  Eigen::Vector2d vector(double size) { return {between(-size, size), between(-size, size)}; }

  State state(const Design& design) {
    State q;
    q.insertion_mm = between(0, 160);
    for (int lock = 0; lock < design.lock_count(); ++lock)
      if (random_() % 2 == 0) {
        q.engaged.set(static_cast<std::size_t>(lock));
        q.theta_frozen.push_back(vector(0.3));
      }
    q.u_free = vector(0.02);
    return q;
  }

  StateBox box(const State& about, double size) {
    StateBox box = StateBox::around(about);
    box.insertion_hi_mm += between(0, 20 * size);
    box.u_lo -= Eigen::Vector2d::Constant(between(0, 0.005 * size));
    box.u_hi += Eigen::Vector2d(between(0, 0.01 * size), between(0, 0.01 * size));
    for (std::size_t i = 0; i < about.theta_frozen.size(); ++i)
      box.theta_hi[i] += Eigen::Vector2d(between(0, 0.05 * size), between(0, 0.05 * size));
    return box;
  }

  /// A state of the box: a corner as often as one inside.
  State in(const StateBox& box, const State& about) {
    const auto part = [&] { return random_() % 3 == 0 ? between(0, 1) : static_cast<double>(random_() % 2); };
    State q = about;
    q.insertion_mm = box.insertion_lo_mm + part() * (box.insertion_hi_mm - box.insertion_lo_mm);
    for (std::size_t i = 0; i < about.theta_frozen.size(); ++i)
      for (int axis = 0; axis < 2; ++axis)
        q.theta_frozen[i](axis) =
            box.theta_lo[i](axis) + part() * (box.theta_hi[i](axis) - box.theta_lo[i](axis));
    for (int axis = 0; axis < 2; ++axis)
      q.u_free(axis) = box.u_lo(axis) + part() * (box.u_hi(axis) - box.u_lo(axis));
    return q;
  }

 private:
  std::mt19937 random_;
};

inline bool legal(const Design& design, const State& state) {
  for (const Region& region : regions_of(design, state))
    if (!(region.u.norm() <= design.segment().curvature_max_per_mm)) return false;
  return true;
}

/// Benches to try bounds on: uniform and with coils, tight and loose, locks near and far.
inline std::vector<Design> benches() {
  std::vector<Design> all;
  for (const bool guide : {false, true}) {
    DesignParts parts = parts_with({33, 67}, {0, 330});
    parts.carriage.kind = guide ? CarriageKind::guide : CarriageKind::free;
    parts.field->strength_max_mT = 5;
    all.push_back(design_of(parts));
    parts.field->ambient_mT = 0;
    parts.field->ambient_S = {0.02, -0.2, 0.1};
    parts.field->coil_mT_per_A = {1.8, 0.9, 2.5};
    parts.layout.station_mm = {50, 61};
    parts.field->strength_max_mT = guide ? 5 : 12;
    all.push_back(design_of(parts));
    parts = parts_with({33, 67}, {0, 330});
    parts.carriage.kind = guide ? CarriageKind::guide : CarriageKind::free;
    parts.field->coils = three_pairs(parts);
    parts.field->strength_max_mT = guide ? 4.5 : 12;
    all.push_back(design_of(parts));
    parts.field->coils = three_pairs(parts, 1.8);
    parts.field->strength_max_mT = 20;
    all.push_back(design_of(parts));
  }
  return all;
}

}  // namespace withy_test
