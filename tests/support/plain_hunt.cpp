// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_hunt.h"

#include <algorithm>
#include <cmath>

namespace withy_plain {
namespace {

constexpr double kPi = 3.14159265358979323846;

Eigen::Vector2d along(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

/// The angle of the plane that all of these lie in, if they do.
std::optional<double> one_plane(const std::vector<double>& angles) {
  for (const double a : angles) {
    if (std::abs(std::sin(a - angles.front())) > 1e-9) return std::nullopt;
  }
  return angles.empty() ? std::nullopt : std::optional(angles.front());
}

std::optional<double> line_angle(const Scene& scene) {
  if (scene.tendons) {
    if (const auto plane = one_plane(scene.tendons->angle_rad)) return plane;
  }
  return one_plane(scene.latch->angle_rad);
}

double station(const Robot& robot, int lock) {
  return robot.layout.station_mm[static_cast<std::size_t>(lock)];
}

}  // namespace

bool sweeps(const Robot& robot, const State& before, int lock) {
  const Region& free = before.regions.back();
  return free.from_mm < station(robot, lock) &&
         flexible_length(robot, before.insertion_mm, free.from_mm, station(robot, lock)) > 1e-9;
}

std::string hunt_shape(const Scene& scene) {
  return line_angle(scene) ? "line" : "spiral";
}

std::vector<Eigen::Vector2d> hunt_corners(const Scene& scene, const ListedHunt& hunt) {
  std::vector<Eigen::Vector2d> out = {{0, 0}};
  if (const auto angle = line_angle(scene)) {
    out.push_back(hunt.radius_mm * along(*angle));
    out.push_back(-out.back());
  } else {
    // Every turn but the last goes out by one spacing; the last goes round at the radius.
    for (int turn = 0; turn < hunt.turns; ++turn) {
      for (int i = turn == 0 ? 1 : 0; i < hunt.corners_per_turn; ++i) {
        const double share = static_cast<double>(i) / hunt.corners_per_turn;
        const double r = std::min(hunt.radius_mm, hunt.spacing_mm * (turn + share));
        out.push_back(r * along(2 * kPi * share));
      }
    }
    out.emplace_back(hunt.radius_mm, 0);
  }
  out.emplace_back(0, 0);
  return out;
}

State swept(const Robot& robot, const State& before, int lock, const Eigen::Vector2d& slide_mm) {
  State out = before;
  const double f =
      flexible_length(robot, before.insertion_mm, before.regions.back().from_mm, station(robot, lock));
  out.regions.back().u += slide_mm / robot.scene.latch->radius_mm / f;
  return out;
}

State swept_engaged(const Robot& robot, const State& before, int lock, const State& open) {
  State out = before;
  out.locked[static_cast<std::size_t>(lock)] = true;
  const Region free = out.regions.back();
  out.regions.back().to_mm = station(robot, lock);
  out.regions.push_back({station(robot, lock), free.to_mm, free.u});
  // What the tendons have drawn is the bend of the whole; the part beyond the lock makes up for the held
  // part.
  const Eigen::Vector2d whole = theta_to(robot, open, robot.scene.length_mm);
  const Eigen::Vector2d held = theta_to(robot, out, station(robot, lock));
  out.regions.back().u =
      (whole - held) / flexible_length(robot, before.insertion_mm, station(robot, lock), free.to_mm);
  return out;
}

}  // namespace withy_plain
