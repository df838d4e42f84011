// SPDX-License-Identifier: GPL-3.0-or-later
// Pulls that differ from the ideal segment's.
#pragma once

#include <vector>

#include <Eigen/Core>

namespace withy {

/// What is added (mm) to the ideal pulls in each state of a plan, tendon by tendon. In between it is linear
/// in the fraction of the motion. Empty: nothing is added anywhere.
struct PullCorrections {
  std::vector<Eigen::VectorXd> at_state;

  /// At fraction t of the way between two states; zero where there are none.
  Eigen::VectorXd between(int from, int to, double t, Eigen::Index tendons) const {
    if (at_state.empty()) return Eigen::VectorXd::Zero(tendons);
    return (1.0 - t) * at_state[static_cast<std::size_t>(from)] + t * at_state[static_cast<std::size_t>(to)];
  }
};

}  // namespace withy
