// SPDX-License-Identifier: GPL-3.0-or-later
// How much clearance a plan keeps, proved, when every error is at its worst at once.
//
// Let c be a motion's verified clearance (mm), R the body's largest radius, x0 the first exposed station at
// the motion's deepest insertion.
//   1. Bends. Frames along an arc are the exponential map of SO(3) at rotation vectors, which does not expand
//   (its
//      curvature is not negative: J. Cheeger and D. G. Ebin, "Comparison Theorems in Riemannian Geometry",
//      1975, Rauch's theorem), so a region whose bend is off by delta turns the tangents along it by at most
//      the part of |delta| bent so far, and all tangents past it by at most |delta|; the turns of several
//      regions add up. Integrated along the body, no point moves further than |delta| lever, lever = (L - x)
//      - f / 2 with x the later of the region's start and x0, and f its exposed flexible length (rigid spans
//      at the far end are the worst case). With the bends of errors.h and e = b / r_b:
//          D1 = e sum over engaged locks (lever before + lever behind) + (g |Theta_total| + o a) lever of the
//          free region,
//      a the largest |A o| per mm of offset.
//   2. Entry: D2 = D1 + p + alpha (P + D1), P the largest distance of a body point from the entry point.
//   3. Registration: D3 = D2 + q + rho (Q + D2 + q), Q the same from the middle of the mesh.
//   4. Lumen scale: distances in the channel (1 + s) times as large are D'(x) = (1 + s) D(x / (1 + s)), and D
//   changes no
//      faster than its point moves, so the clearance kept is at least
//          (1 - sigma) c - D3 - sigma (R + P).
// What comes to be past the entry plane was planned at most D3 behind it: c is taken over the stations up to
// that far behind (BodyPlacement::behind_mm). Past an open outlet nothing is proved.
#pragma once

#include <map>
#include <utility>
#include <vector>

#include "planner/tolerance/bench.h"

namespace withy {

/// What a plan has to stand.
enum class Standing {
  off_the_wall,  ///< every motion keeps clear of the wall
  at_the_target  ///< the tip stays within the target's tolerance
};

class WorstCase {
 public:
  /// The references must outlive this. `motions` as motions_inside has them; `reached` is the plan's state at
  /// the target.
  WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions, const State& reached,
            const Eigen::Vector3d& channel_centre_E);

  /// Proved lower bound (mm) of the clearance kept under errors of these sizes; below 0 it says nothing but
  /// that. Infinite for a plan that never passes the entry plane.
  double clearance_kept(const ErrorSizes& sizes) const;

  /// Proved upper bound (mm) of the distance from the tip to the target's point.
  double tip_error(const ErrorSizes& sizes) const;

  bool stands(const ErrorSizes& sizes, Standing what) const;

  /// The largest size of one error alone for which the plan is proved to stand, by bisection; at most the
  /// size past which no bound is sought (largest_sought).
  double largest(ErrorKind kind, Standing what) const;
  static double largest_sought(ErrorKind kind);

 private:
  /// What the bound of a motion is made of.
  struct Levers {
    double backlash_mm = 0.0;  ///< per rad at each lock
    double free_mm = 0.0;      ///< per rad of the free region
    double total_bend_rad = 0.0;
    double from_entry_mm = 0.0;
    double from_centre_mm = 0.0;
    double from_outlet_mm = 0.0;  ///< least; infinite without an open outlet
  };
  Levers levers(const State& from, const State& to) const;
  void measure_reach(const State& from, const State& to, Levers& levers) const;
  double displacement(const Levers& levers, const ErrorSizes& sizes) const;
  double kept(std::size_t motion, const ErrorSizes& sizes) const;
  double clearance(std::size_t motion, double behind_mm) const;

  const SearchProblem& problem_;
  const std::vector<PlannedMotion>& motions_;
  State reached_;
  Eigen::Vector3d centre_E_;
  double bend_per_offset_;
  std::vector<Levers> levers_;
  Levers tip_levers_;
  mutable std::map<std::pair<std::size_t, double>, double> clearance_;  // found so far
};

}  // namespace withy
