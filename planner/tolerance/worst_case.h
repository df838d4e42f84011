// SPDX-License-Identifier: GPL-3.0-or-later
// How much clearance a plan keeps, proved, when every error is at its worst at once.
//
// A motion is checked cell by cell (motion_cells.h), stretches of the body at parts of the motion: where
// clearance is least the body is often near the entry, or in a neck early in the motion, and moves far less
// there than its tip does at the end. Let p be a point of a cell, c the cell's clearance (mm), R the body's
// radius there, P and Q the most that a point of the cell is from the entry point and from the middle of the
// mesh. R_v is the rotation by v; |R_v x - x| <= 2 sin(|v| / 2) |x| =: h(|v|) |x|.
//   1. Bends: p' is within D of p (bend_levers.h), with e = b / r_b, gain g and |A o| <= a o.
//   2. Entry: p'' = R_alpha p' + t, |t| <= p_e. A rotation moves no two points apart, so
//          |p'' - p| = |R_alpha (p' - p) + (R_alpha p - p) + t| <= D + h(alpha) P + p_e.
//   3. Registration: the channel is moved by x -> m + R_rho (x - m) + r, m the middle of its mesh, |r| <= q;
//      what is left of p'' in the channel's own frame, p_c = m + R_rho^T (p'' - m - r), is off by
//          |p_c - p| = |R_rho^T (p'' - p) + (R_rho^T - 1)(p - m) - R_rho^T r| <= |p'' - p| + h(rho) Q + q.
//      In all: M = D + h(alpha) P + p_e + h(rho) Q + q. (1)
//   4. Lumen scale: distances in the channel (1 + s) times as large are D'(x) = (1 + s) D(x / (1 + s)), and D
//      changes no faster than its point moves, so
//          D'(p_c) >= (1 + s) D(p) - |p_c - (1 + s) p| >= (1 + s) (c + R) - M - |s| P,
//      least at s = -sigma: the clearance kept is at least
//          (1 - sigma) c - M - sigma (R + P). (2)
// This takes every error for the worst in every direction. With the free carriage the cells that it leaves
// least to are checked by direction (directed_bound.h).
// The sweeps of hunts are motions too (motion_cells.h): each of their cells keeps the more of two bounds, one
// with the sweep taken for one more error about the planned state, and one of the errors alone about what the
// whole track keeps. A cell that all this leaves too little to, with the free carriage, is looked at in parts
// (directed_bound.h): beside the entry's rim, where a body in front of the entry stands over the wall's edge,
// nothing less tells.
// A cell counts where some point of it may come past the entry plane, less than M behind it (the plane
// stays, scaled about the entry point). Stations further than kBehind_mm behind it, at the motion's deepest,
// are the shaft's, at depths z <= -kBehind_mm on the axis: with M <= kBehind_mm for the first of them and
// h(alpha) + h(rho) <= 1, which is how fast M may grow further back, none of them gets to the plane;
// otherwise nothing is proved. Nor is anything past a passage. kRounding_mm, taken off at the end,
// covers what rounding does to M (bend_levers.h) and the rest of this.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/tolerance/bench.h"
#include "planner/tolerance/directed_bound.h"

namespace withy {

/// What a plan has to stand.
enum class StandsFor {
  off_the_wall,  ///< every motion keeps clear of the wall
  at_the_target  ///< the tip stays within the target's tolerance
};

/// What of a motion is not proved to keep clear.
struct DoubtfulMotion {
  std::size_t motion = 0;
  int parts = 1;                  ///< that the motion is cut into, all alike
  std::vector<MotionCell> cells;  ///< that are in doubt, part by part; of a sweep as all along its track
};

/// Once the effort is cut short nothing more is proved: every answer says the worst that it can.
/// Not safe to use from several threads at once, but for what is const.
class WorstCase {
 public:
  /// The problem must outlive this. `motions` as motions_of has them; `reached` is the plan's state at
  /// the target.
  WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions, const State& reached,
            const Eigen::Vector3d& channel_centre_E, const Effort& effort = Effort());
  /// The same with the wall's triangles at hand: for many plans in one channel.
  WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions, const State& reached,
            const Eigen::Vector3d& channel_centre_E, std::shared_ptr<const WallTriangles> triangles,
            const Effort& effort = Effort());

  /// Proved lower bound (mm) of the clearance kept under errors of these sizes; below 0 it says nothing but
  /// that. Infinite for a plan that never passes the entry plane.
  double clearance_kept(const ErrorSizes& sizes);

  /// Proved upper bound (mm) of the distance from the tip to the target's point.
  double tip_error(const ErrorSizes& sizes) const;

  /// What ends its looks from now on.
  void end_with(const Effort& effort) { effort_ = effort; }

  bool stands(const ErrorSizes& sizes, StandsFor what);

  /// Proved upper bound (rad) of the angle between the tip and the target's direction; 0 where it asks for
  /// none.
  double direction_error(const ErrorSizes& sizes) const;

  /// The motions that are not proved to keep clear under errors of these sizes, with the cells that are in
  /// doubt. Under smaller errors no others are.
  std::vector<DoubtfulMotion> doubtful(const ErrorSizes& sizes);

  /// The cells of a doubtful motion that are not proved to keep clear by the sizes of this one bench's
  /// errors, part by part; nothing where no cell is settled by them.
  std::optional<std::vector<const MotionCell*>> doubtful_on(const DoubtfulMotion& motion,
                                                            const ErrorDraw& errors) const;

  /// The largest size of one error alone for which the plan is proved to stand, by bisection; at most the
  /// size past which no bound is sought (largest_sought).
  double largest(ErrorKind kind, StandsFor what);
  static double largest_sought(ErrorKind kind);

 private:
  ErrorBounds bounds(const ErrorSizes& sizes) const;
  ErrorBounds bounds_of(const ErrorDraw& errors) const;
  double kept_in(const MotionCell& cell, const ErrorBounds& errors) const;
  bool may_reach_passage(const MotionCell& cell, const ErrorBounds& errors, double off_mm) const;
  static ErrorBounds bounds_in(const MotionCells& motion, const ErrorBounds& errors);
  double looked_at(MotionCells& motion, std::size_t cell, const ErrorBounds& errors, double enough_mm);
  double looked_at_in_parts(MotionCells& motion, std::size_t cell, const ErrorBounds& errors,
                            double enough_mm);
  double looked_at_cell(MotionCells& motion, std::size_t cell, const ErrorBounds& errors, double enough_mm);
  double kept(MotionCells& motion, const ErrorBounds& errors, double enough_mm);
  bool shaft_stays_behind(const ErrorBounds& errors) const;
  bool keeps_off_the_wall(const ErrorSizes& sizes);

  const SearchProblem& problem_;
  Effort effort_;
  State reached_;
  Eigen::Vector3d centre_E_;
  double bend_per_offset_;
  Eigen::MatrixXd bend_per_pull_;
  BendLevers tip_;
  BendDirections tip_directions_;  // with the free carriage
  DirectedBound directed_;
  std::vector<MotionCells> motions_;  // cells are checked closely when asked about
};

}  // namespace withy
