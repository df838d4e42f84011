// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: the elastic segment by shooting.
//
// Internal moments are integrated from the base to the tip (Boost.odeint, Runge-Kutta of fourth order); the
// base moment and the bends at the engaged locks and at the tip are guessed and mended by Newton's method
// with difference quotients. Continuous routing. Shares no code with planner/.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

namespace withy_plain {

struct ElasticRobot {
  double length_mm = 0, tip_rigid_mm = 0, EI = 0, GJ = 0;
  std::vector<double> lock_station_mm;
  double lock_length_mm = 0;
  double mass_g_per_mm = 0, lock_mass_g = 0;
  Eigen::Vector3d gravity_E = -Eigen::Vector3d::UnitY();
  double tendon_radius_mm = 0;
  std::vector<double> tendon_angle_rad;
  double tendon_EA_N = 0, tendon_length_mm = 0, pretension_N = 0, friction = 0;
  bool motors_stand = false;
  double backbone_radius_mm = 0;
  std::vector<double> backbone_angle_rad;
  double backbone_EA_N = 0, backlash_mm = 0, pitch_mm = 0;
  bool guide = false;
};

struct ElasticBody {
  double insertion_mm = 0;
  std::vector<double> pull_mm;
  std::vector<bool> engaged;
  std::vector<std::vector<double>> rest_mm;    ///< by lock and backbone
  std::vector<std::vector<double>> tension_N;  ///< by station of the grid and tendon
  Eigen::VectorXd unknown;  ///< base moment (E), then the bend at each lock, then at the tip
  Eigen::Vector3d tip_E = Eigen::Vector3d::Zero();
  std::vector<Eigen::Vector3d> point_E;  ///< at the ends of all steps
};

class Shooting {
 public:
  explicit Shooting(const ElasticRobot& robot) : robot_(robot) {}
  ElasticBody straight() const;
  /// Nothing where Newton's method does not end.
  std::optional<ElasticBody> step(const ElasticBody& from, double insertion_mm,
                                  const std::vector<double>& pull_mm) const;
  std::optional<ElasticBody> engage(const ElasticBody& from, int lock) const;
  std::optional<ElasticBody> release(const ElasticBody& from, int lock) const;
  /// The wire's own slide at a lock over the pitch, less its whole number: how far from a notch, -0.5 to 0.5.
  std::vector<double> off_notch(const ElasticBody& body, int lock) const;

 private:
  std::optional<ElasticBody> reach(const ElasticBody& from, ElasticBody to, int halvings) const;
  bool settle(ElasticBody& body, const ElasticBody& before) const;
  Eigen::VectorXd shoot(ElasticBody& body, const ElasticBody& before, bool keep) const;
  std::vector<double> own_slide(const ElasticBody& body, int lock) const;

  ElasticRobot robot_;
};

}  // namespace withy_plain
