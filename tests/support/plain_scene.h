// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: a scene as the second reader reads it.
//
// Everything in namespace withy_plain is written apart from geometry/ and planner/, slow and short on
// purpose, so that the two can be held against each other. Units as in the files (mm, N, mT, A m^2) but for
// angles, which are radians here.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

namespace withy_plain {

struct Lock {
  double body_length_mm = 0, body_radius_mm = 0, magnet_Am2 = 0, angle_free_rad = 0, angle_latched_rad = 0;
  double switch_torque_Nmm = 0, hold_torque_Nmm = 0, hold_moment_Nmm = 0;
};

struct Layout {
  std::vector<double> station_mm, clock_rad;
};

struct Latch {
  double pitch_mm = 0, radius_mm = 0, window_mm = 0, backlash_mm = 0;
  std::vector<double> angle_rad;
  double hunt_mm = 0;
};

struct Tendons {
  double radius_mm = 0, disk_spacing_mm = 0, stroke_max_mm = 0, tension_min_N = 0, tension_max_N = 0,
         friction = 0;
  std::vector<double> angle_rad;
  bool motors_ride = true;
};

struct Coil {
  Eigen::Vector3d centre_S = Eigen::Vector3d::Zero(), axis_S = Eigen::Vector3d::UnitZ();
  double radius_mm = 0, turns = 0;
  std::optional<double> resistance_ohm, current_max_A;
};

struct Field {
  double strength_max_mT = 0;
  Eigen::Vector3d coil_mT_per_A = Eigen::Vector3d::Ones();
  Eigen::Matrix3d coil_axes_S = Eigen::Matrix3d::Identity();  ///< row k: axis of coil k in the scene frame
  std::vector<Coil> coils = {};                               ///< instead of the two above
  double reserve_wanted = 1.5;
  double ambient_mT = 0;  ///< some field of at most this, of any direction
  Eigen::Vector3d ambient_S = Eigen::Vector3d::Zero();
};

struct Actuation {
  double advance_mm_per_s = 0, tendon_mm_per_s = 0, field_settle_s = 0;
  bool drives_coils = false;  ///< the unit sets the coils' currents, each over a ramp
};

struct Scene {
  std::string mesh_path;
  double mm_per_unit = 1;
  bool outlets_open = false;
  Eigen::Isometry3d X_SE = Eigen::Isometry3d::Identity();  ///< entry frame in the scene frame
  double opening_radius_mm = 0;

  Eigen::Vector3d target_S = Eigen::Vector3d::Zero();
  double target_tolerance_mm = 0;
  std::optional<Eigen::Vector3d> target_direction_S;
  double target_direction_tolerance_rad = 0;
  double required_clearance_mm = 0;

  double length_mm = 0, radius_mm = 0, tip_rigid_mm = 0, curvature_max_per_mm = 0, rigidity_Nmm2 = 0;
  std::optional<Lock> lock;
  std::map<int, Layout> layouts;
  std::optional<Latch> latch;
  std::optional<Tendons> tendons;
  std::optional<Field> field;
  std::optional<Actuation> actuation;
  bool guide = false;
  double insertion_max_mm = 0;
};

/// Throws std::runtime_error on a scene it can't read: a test that hands one over is wrong.
Scene read_scene(const std::string& path);

/// The robot of a scene with a given lock count: what kinematics and hardware need, and no more.
struct Robot {
  Scene scene;
  Layout layout;  ///< stations of this lock count; empty for 0
  int locks() const { return static_cast<int>(layout.station_mm.size()); }
};

}  // namespace withy_plain
