// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/random_bodies.h"

#include <algorithm>

#include <catch2/catch.hpp>

namespace withy::testing {

Design make_design(int locks, CarriageKind kind, double lock_radius_mm) {
  DesignParts parts;
  parts.segment = {60.0, 1.2, 2.5, kCurvatureMax_per_mm, 500.0};
  parts.carriage = {kind, 75.0};
  if (locks > 0) {
    LockHardware lock;
    lock.body_length_mm = 4.0;
    lock.body_radius_mm = lock_radius_mm;
    lock.magnet_Am2 = 0.004;
    lock.angle_latched_rad = 1.5;
    lock.switch_torque_Nmm = 0.01;
    lock.hold_torque_Nmm = 0.004;
    lock.hold_moment_Nmm = 60.0;
    parts.lock = lock;
    parts.layout = assumed_layout(parts.segment, locks);
  }
  auto design = Design::make(parts);
  REQUIRE(design.has_value());
  return *design;
}

State random_state(const Design& design, Random& random) {
  State state;
  state.insertion_mm = random.between(0.0, design.carriage().insertion_max_mm);
  if (random.below(10) == 0) state.insertion_mm = random.below(2) == 0 ? 0.0 : design.length_mm();
  const auto scaled = [&](Eigen::Vector2d u) -> Eigen::Vector2d {
    switch (random.below(8)) {
      case 0:
        return Eigen::Vector2d::Zero();
      case 1:
        return 1e-9 * u;
      case 2:
        return 1e-4 * u;
      default:
        return u;
    }
  };
  double from = 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (random.below(2) == 0) continue;
    state.engaged.set(static_cast<std::size_t>(lock));
    const double to = design.station_mm(lock);
    const double start = std::max(from, first_exposed_station(design, state.insertion_mm));
    const double flexible = start < to ? design.flexible_length(start, to) : 0.0;
    state.theta_frozen.push_back(flexible * scaled(random.in_disk(kCurvatureMax_per_mm)));
    from = to;
  }
  state.u_free = scaled(random.in_disk(kCurvatureMax_per_mm));
  return state;
}

State following_state(const Design& design, const TubeShape& shape, Random& random) {
  State state = random_state(design, random);
  const double kappa = shape.bend_rad / shape.length_mm;
  const Eigen::Vector2d along(kappa, 0.0);
  for (std::size_t r = 0; r < state.theta_frozen.size(); ++r) state.theta_frozen[r] *= 0.1;
  state.u_free = along * random.between(0.0, 1.5) + random.in_disk(0.01);
  if (random.below(6) == 0) state.u_free.setZero();
  return state;
}

Bench make_bench(const TubeShape& shape, int triangles) {
  return {shape,
          DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, triangles)), 0.25)};
}

double exact_distance(const WallDistance& wall, const Eigen::Vector3d& p_E) {
  const double d = wall.distance(p_E);
  return wall.inside({p_E.x(), p_E.y(), std::max(p_E.z(), 2.0 * kEntryPlaneContact_mm)}) ? d : -d;
}

}  // namespace withy::testing
