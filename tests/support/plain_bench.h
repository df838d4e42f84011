// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: a bench that measures, with known errors and known noise.
#pragma once

#include <string>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

/// What a bench really is. The robot's own rigidity and friction do not count.
struct BenchTruth {
  double rigidity_Nmm2 = 0, friction = 0;
  std::vector<double> slack_mm;  ///< one for each tendon: what it is drawn before it moves anything
  Eigen::Vector3d shift_mm = Eigen::Vector3d::Zero();  ///< of the entry frame, in it
  Eigen::Vector3d turn_rad = Eigen::Vector3d::Zero();  ///< rotation vector of the entry frame, in it
  double pull_noise_mm = 0, tension_noise_N = 0, tip_noise_mm = 0;
};

/// One row: the free region's curvature, and which locks hold. A lock that shows held for the first time
/// freezes this row's shape.
struct BenchPose {
  double insertion_mm = 0;
  std::vector<bool> locked;
  Eigen::Vector2d u = Eigen::Vector2d::Zero();
};

/// The table such a bench writes, CSV. Locks are released all together or not at all.
std::string bench_table(const Robot& robot, const BenchTruth& truth, const std::vector<BenchPose>& poses,
                        bool tensions, unsigned seed);

}  // namespace withy_plain
