// SPDX-License-Identifier: GPL-3.0-or-later
// The nearest to a target of the states that a route passes.
#pragma once

#include <string>

#include "planner/search/problem.h"
#include "planner/segment/state.h"

namespace withy {

/// Is a tip one to say how near it comes? Through the wall a tip in front of the channel may be near to a
/// goal within it, which tells nothing.
bool counts_as_near(const Goal& goal, const Eigen::Isometry3d& tip_E);

/// How far the tip points off the wanted direction, and how far it may, with digits enough to tell the two
/// apart and to say the smaller: half a sentence. Precondition: it points farther off than it may.
std::string direction_miss(const Goal& goal, const Eigen::Isometry3d& tip_E);

/// Starts with the start's state; of others, those count that counts_as_near() says. Design and goal must
/// outlive it.
class NearestState {
 public:
  NearestState(const Design& design, const Goal& goal, const State& start = start_state());

  void visit(const State& state);

  const State& state() const { return nearest_; }
  /// Of its tip from the target's point.
  double distance_mm() const { return distance_mm_; }

 private:
  double distance_of(const State& state) const;

  const Design& design_;
  const Goal& goal_;
  State nearest_;
  double distance_mm_;
};

}  // namespace withy
