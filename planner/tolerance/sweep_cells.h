// SPDX-License-Identifier: GPL-3.0-or-later
// Stretches of the body all along a hunt's sweep: one cell each (motion_cells.h), for every state of the
// track.
//
// Its clearance is the least over the track's chords, by the same two bounds, the closer one asked of a chord
// only while the quick one is below the least so far. Its levers are the greatest at the track's corners, and
// the greatest between_corners of a chord on top, so they hold on every chord.
#pragma once

#include <vector>

#include "planner/effort/effort.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/bench.h"
#include "planner/tolerance/motion_cell.h"

namespace withy {

class SweepCells {
 public:
  /// `stations` as MotionCells lays them. The design and distance must outlive this.
  SweepCells(const Design& design, const ChannelDistance& distance, const HuntSweep& sweep,
             const Eigen::Vector3d& channel_centre_E, const std::vector<double>& stations);

  /// The stretch of `cell`, which is one of the state that is swept about. Once the effort is cut short no
  /// chord is looked at closer, so the bound is no better than the quick one.
  MotionCell along_track(const MotionCell& cell, const Effort& effort) const;

 private:
  struct Chord {
    Chord(const Design& design, const State& a, const State& b);
    Shape middle;
    MotionBounds bounds;
    State from, to;
    double du_per_mm;
  };

  const Design& design_;
  const ChannelDistance& distance_;
  Eigen::Vector3d centre_E_;
  std::vector<BendLevers> levers_;  // at each station, the greatest over the corners
  std::vector<Chord> chords_;
};

}  // namespace withy
