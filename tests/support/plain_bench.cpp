// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_bench.h"

#include <random>

#include <fmt/format.h>

#include "tests/support/plain_hardware.h"

namespace withy_plain {
namespace {

std::string header(const Robot& robot, std::size_t tendons, bool tensions) {
  std::string out = "insertion_mm";
  for (int i = 1; i <= robot.locks(); ++i) out += fmt::format(",lock_{}", i);
  for (std::size_t k = 1; k <= tendons; ++k) out += fmt::format(",pull_{}_mm", k);
  for (std::size_t k = 1; tensions && k <= tendons; ++k) out += fmt::format(",tension_{}_N", k);
  return out + ",tip_x_mm,tip_y_mm,tip_z_mm\r\n";
}

/// Bending angle vectors of the regions that end at held locks, from the base up; one for each lock, unused
/// where it is released.
struct Frozen {
  std::vector<bool> held;
  std::vector<Eigen::Vector2d> theta;
};

/// Newly held locks freeze the shape; all frozen before stay (they are proximal to what is free).
void follow_locks(const Robot& robot, const BenchPose& pose, Frozen& frozen) {
  double from = 0;
  for (std::size_t i = 0; i < pose.locked.size(); ++i) {
    if (!pose.locked[i]) {
      frozen.held[i] = false;
      continue;
    }
    const double to = robot.layout.station_mm[i];
    if (!frozen.held[i]) frozen.theta[i] = flexible_length(robot, pose.insertion_mm, from, to) * pose.u;
    frozen.held[i] = true;
    from = to;
  }
}

State state_of(const Robot& robot, const BenchPose& pose, const Frozen& frozen) {
  State state{pose.insertion_mm, pose.locked, {}};
  double from = 0;
  for (std::size_t i = 0; i < pose.locked.size(); ++i) {
    if (!pose.locked[i]) continue;
    const double to = robot.layout.station_mm[i];
    const double f = flexible_length(robot, pose.insertion_mm, from, to);
    const Eigen::Vector2d u = f > 0 ? Eigen::Vector2d(frozen.theta[i] / f) : Eigen::Vector2d::Zero();
    state.regions.push_back({from, to, u});
    from = to;
  }
  state.regions.push_back({from, robot.scene.length_mm, pose.u});
  return state;
}

Eigen::Isometry3d real_entry(const Scene& scene, const BenchTruth& truth) {
  Eigen::Isometry3d offset = Eigen::Isometry3d::Identity();
  offset.translation() = truth.shift_mm;
  if (truth.turn_rad.norm() > 0)
    offset.linear() =
        Eigen::AngleAxisd(truth.turn_rad.norm(), truth.turn_rad.normalized()).toRotationMatrix();
  return scene.X_SE * offset;
}

}  // namespace

std::string bench_table(const Robot& robot, const BenchTruth& truth, const std::vector<BenchPose>& poses,
                        bool tensions, unsigned seed) {
  Robot real = robot;
  real.scene.rigidity_Nmm2 = truth.rigidity_Nmm2;
  real.scene.tendons->friction = truth.friction;
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  const Eigen::Isometry3d X_SE = real_entry(robot.scene, truth);
  std::string out = header(robot, truth.slack_mm.size(), tensions);
  Frozen frozen{std::vector<bool>(robot.layout.station_mm.size()),
                std::vector<Eigen::Vector2d>(robot.layout.station_mm.size(), Eigen::Vector2d::Zero())};
  for (const BenchPose& pose : poses) {
    follow_locks(real, pose, frozen);
    const State state = state_of(real, pose, frozen);
    out += fmt::format("{}", pose.insertion_mm);
    for (const bool locked : pose.locked) out += locked ? ",1" : ",0";
    const auto pull = pulls(real, state);
    for (std::size_t k = 0; k < pull.size(); ++k)
      out += fmt::format(",{}", pull[k] + truth.slack_mm[k] + truth.pull_noise_mm * normal(random));
    const std::vector<double> tension = tensions ? base_tensions(real, state).value() : std::vector<double>{};
    for (const double T : tension) out += fmt::format(",{}", T + truth.tension_noise_N * normal(random));
    const Eigen::Vector3d tip = X_SE * Body(real, state).point_E(real.scene.length_mm);
    for (int i = 0; i < 3; ++i) out += fmt::format(",{}", tip(i) + truth.tip_noise_mm * normal(random));
    out += "\r\n";
  }
  return out;
}

}  // namespace withy_plain
