// SPDX-License-Identifier: GPL-3.0-or-later
// A motion cut into cells, parts of the motion by stretches of the body: where the body is, how clear of the
// wall, and how far errors of the bends may move it.
//
// A cell's clearance c is such that, if it is counted with and a point p'' past the entry plane is within m
// of the cell's point p, then D(p'') >= c + R - m wherever c + R > m and no passage is within m of p
// (body_radius R constant over the cell). Two bounds:
//   * at once: L(p0) - R - r, with L(p0) the lower bound of D about the cell's middle point p0
//     (ChannelDistance::signed_lower) and every point of the cell within r of p0;
//   * when asked for: what MotionVerifier proves of the cell's part and stretch with all that is behind the
//     entry plane counted in (BodyPlacement::behind_mm), at most kClearanceSlack_mm below the truth. There
//     the distance of a point behind the plane is that to the wall, its side that of its projection x0. The
//     line from p to p'' crosses the plane at a point x; every point of the line from x0 to x is no further
//     from p than x is, so within m: neither that line nor the one from x to p'' meets a wall, and p'' is on
//     the same side as x0.
// Cells are small where the body is long or the motion far, so both bounds and levers are near what they
// bound; r and the levers come from motion_bounds.h and bend_levers.h.
//
// A hunt's sweep is cut along the body only. Its cells are those of the state that is swept about, with the
// sweep taken for one more error (directed_bound.h); sweep_cells.h has them as they are all along the track.
#pragma once

#include <array>
#include <optional>
#include <unordered_map>
#include <vector>

#include "planner/proof/lemmas/verify.h"
#include "planner/tolerance/bench.h"
#include "planner/tolerance/bend_levers.h"
#include "planner/tolerance/sweep_cells.h"

namespace withy {

/// What a closer check of a cell (directed_bound.h) starts from.
struct CellCorners {
  std::array<BendDirections, 4> at;  ///< the ends of its stretch at the ends of its part
  BendLevers between;                ///< between_corners of the cell
  double bulge_mm = 0.0;             ///< most that a point is off the bilinear surface between the corners
  Eigen::Vector3d middle_E = Eigen::Vector3d::Zero();  ///< of the corners
  double middle_wall_mm = 0.0;                         ///< distance from there to the wall
};

/// Most (mm) that a point of stations s0_mm to s1_mm between two states is off the bilinear surface between
/// the corners, with the free carriage.
double bulge_between(const Design& design, const State& from, const State& to, double s0_mm, double s1_mm);

class MotionCells {
 public:
  /// Stations from `behind_mm` behind the entry plane on, in the straight segment at its deepest, or from the
  /// base if that is further back. The design and distance must outlive this.
  MotionCells(const Design& design, const ChannelDistance& distance, const PlannedMotion& motion,
              const Eigen::Vector3d& channel_centre_E, double behind_mm);

  const std::vector<MotionCell>& cells() const { return cells_; }
  /// How many parts the motion is cut into, all alike.
  int parts() const { return parts_; }

  /// Has the verifier check a cell.
  void refine(std::size_t cell);

  /// The corners of a cell; only with the free carriage.
  const CellCorners& corners(std::size_t cell);

  /// Of a sweep: the same stretch all along its track, as closely as the effort allows when it is first asked
  /// for. Its levers are those of errors alone.
  const MotionCell& swept(std::size_t cell, const Effort& effort);

  /// Of a motion that is no sweep: the states that the cell lies between.
  State first_state(std::size_t cell) const { return state_at(cells_[cell].part); }
  State last_state(std::size_t cell) const { return state_at(cells_[cell].part + 1); }

  const PlannedMotion& motion() const { return motion_; }

 private:
  double fraction(int part) const { return static_cast<double>(part) / parts_; }
  State state_at(int part) const { return interpolate(motion_.from, motion_.to, fraction(part)); }
  std::vector<BendLevers> corner_levers(int part) const;
  void add_part(int part, const std::vector<BendLevers>& first, const std::vector<BendLevers>& last);

  const Design& design_;
  const ChannelDistance& distance_;
  PlannedMotion motion_;
  Eigen::Vector3d centre_E_;
  int parts_ = 1;
  std::vector<double> stations_;
  std::vector<MotionCell> cells_;
  std::unordered_map<std::size_t, CellCorners> corners_;  // of the cells asked for
  std::optional<SweepCells> swept_;                       // when asked for
  std::unordered_map<std::size_t, MotionCell> along_track_;
};

}  // namespace withy
