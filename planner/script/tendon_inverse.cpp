// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/tendon_inverse.h"

#include <cassert>

#include "geometry/numbers/decompositions.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

// Curvature step of the central differences (1/mm): pulls of some 10 mm are exact to 1e-15, so the slope is
// to 1e-9.
constexpr double kDifference_per_mm = 1e-6;

// Newton's step squares the error; from straight a bend of the largest curvature takes five or six.
constexpr int kMostSteps = 30;

// Steps below this (1/mm) move a metre of segment by less than a nanometre.
constexpr double kSmallestStep_per_mm = 1e-12;

Eigen::VectorXd pulls_at(const Design& design, State state, const Eigen::Vector2d& u) {
  state.u_free = u;
  return tendon_pulls(design, regions_of(design, state), state.insertion_mm);
}

Eigen::MatrixX2d slope_at(const Design& design, const State& state, const Eigen::Vector2d& u) {
  Eigen::MatrixX2d slope(static_cast<Eigen::Index>(design.tendons()->angle_rad.size()), 2);
  for (int axis = 0; axis < 2; ++axis) {
    const Eigen::Vector2d step = kDifference_per_mm * Eigen::Vector2d::Unit(axis);
    slope.col(axis) =
        (pulls_at(design, state, u + step) - pulls_at(design, state, u - step)) / (2.0 * kDifference_per_mm);
  }
  return slope;
}

}  // namespace

FreeBend free_bend_from_pulls(const Design& design, const State& known, const Eigen::VectorXd& pull_mm) {
  assert(design.tendons() && pull_mm.size() == static_cast<Eigen::Index>(design.tendons()->angle_rad.size()));
  FreeBend found;
  found.u = known.u_free;
  if (regions_of(design, known).back().flexible_mm > kNoLength_mm) {
    // The differences' rounding must not pass for a second direction where all tendons lie in one plane.
    constexpr double kRankThreshold = 1e-6;
    for (int k = 0; k < kMostSteps; ++k) {
      const Eigen::VectorXd miss = pull_mm - pulls_at(design, known, found.u);
      const Eigen::Vector2d step =
          least_norm_solution(slope_at(design, known, found.u), miss, kRankThreshold);
      found.u += step;
      if (step.norm() < kSmallestStep_per_mm) break;
    }
  }
  found.disagreement_mm = (pull_mm - pulls_at(design, known, found.u)).cwiseAbs().maxCoeff();
  return found;
}

}  // namespace withy
