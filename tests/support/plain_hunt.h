// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: the sweep of a lock action, from what a plan says of it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

/// What a plan says of one hunt.
struct ListedHunt {
  std::string shape;
  double radius_mm = 0, spacing_mm = 0;
  int turns = 0, corners_per_turn = 0;
  bool made = false;
  std::optional<double> clearance_mm, duration_s;
  std::string why;
};

/// Is there a sweep for engaging `lock` in `before`: does the free region bend before the lock?
bool sweeps(const Robot& robot, const State& before, int lock);

/// "line" where all backbones or all tendons lie in one plane, else "spiral".
std::string hunt_shape(const Scene& scene);

/// Corners of the track, as slides beyond the planned ones (mm).
std::vector<Eigen::Vector2d> hunt_corners(const Scene& scene, const ListedHunt& hunt);

/// The body at those slides, the lock open; `before` is the planned state.
State swept(const Robot& robot, const State& before, int lock, const Eigen::Vector2d& slide_mm);

/// The body with the lock engaged in `before` and the tendons (continuous routing) where `open` has them.
State swept_engaged(const Robot& robot, const State& before, int lock, const State& open);

}  // namespace withy_plain
