// SPDX-License-Identifier: GPL-3.0-or-later
// From pulls back to the bend: what the free region does when the tendons are drawn so far.
//
// The frozen regions keep their bends, so only the free region's curvature u is asked for: the least-squares
// solution of tendon_pulls(d, frozen bends, u) = pull, by Gauss-Newton with central differences for the
// Jacobian (J. Nocedal and S. J. Wright, "Numerical Optimization", 2nd ed., 2006, section 10.3). With
// continuous routing pulls are linear in u and one step is exact; with disks a few steps are. Tendons in one
// plane leave the bend across that plane at 0.
#pragma once

#include <Eigen/Core>

#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

struct FreeBend {
  Eigen::Vector2d u = Eigen::Vector2d::Zero();  ///< 1/mm
  double disagreement_mm = 0.0;  ///< largest difference between the given pulls and those of the bend found
};

/// `known` gives insertion, locks and frozen bends; its u_free is the first guess, and the answer where the
/// free region has no exposed flexible length. Precondition: the design has tendons, one pull for each.
FreeBend free_bend_from_pulls(const Design& design, const State& known, const Eigen::VectorXd& pull_mm);

}  // namespace withy
