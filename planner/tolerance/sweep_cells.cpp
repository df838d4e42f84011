// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/sweep_cells.h"

#include <algorithm>
#include <utility>

#include "geometry/numbers/numbers.h"

namespace withy {

SweepCells::SweepCells(const Design& design, const ChannelDistance& distance, const HuntSweep& sweep,
                       const Eigen::Vector3d& channel_centre_E, const std::vector<double>& stations)
    : design_(design), distance_(distance), centre_E_(channel_centre_E), levers_(stations.size()) {
  const std::vector<State>& corners = sweep.corners;
  for (std::size_t c = 0; c < corners.size(); ++c) {
    const auto here = bend_levers(design, corners[c], stations);
    for (std::size_t k = 0; k < levers_.size(); ++k) levers_[k].cover(here[k]);
    if (c > 0) chords_.emplace_back(design, corners[c - 1], corners[c]);
  }
}

SweepCells::Chord::Chord(const Design& design, const State& a, const State& b)
    : middle(design, interpolate(a, b, 0.5)),
      bounds(motion_bounds(design, StateRange::of_motion(a, b))),
      from(a),
      to(b),
      du_per_mm((b.u_free - a.u_free).norm()) {}

MotionCell SweepCells::along_track(const MotionCell& cell, const Effort& effort) const {
  const auto k = static_cast<std::size_t>(cell.stretch);
  MotionCell out = cell;
  out.levers = {};
  if (cell.to_mm > 0.0) {
    out.levers = levers_[k];
    out.levers.cover(levers_[k + 1]);
  }
  out.from_entry_mm = out.from_centre_mm = 0.0;
  out.from_passage_mm = kInfinity;
  out.height_mm = -kInfinity;
  std::vector<std::pair<double, const Chord*>> quick;
  BendLevers between;
  for (const Chord& chord : chords_) {
    MotionCell here = cell;
    const double reach = 0.5 * (cell.to_mm - cell.from_mm) +
                         0.5 * chord.bounds.curvature_lever_mm2(cell.to_mm) * chord.du_per_mm;
    place_cell(here, chord.middle.point_E(0.5 * (cell.from_mm + cell.to_mm)), reach, distance_, centre_E_);
    out.from_entry_mm = std::max(out.from_entry_mm, here.from_entry_mm);
    out.from_centre_mm = std::max(out.from_centre_mm, here.from_centre_mm);
    out.from_passage_mm = std::min(out.from_passage_mm, here.from_passage_mm);
    out.height_mm = std::max(out.height_mm, here.height_mm);
    if (cell.to_mm > 0.0)
      between.cover(between_corners(design_, chord.from, chord.to, cell.to_mm - cell.from_mm));
    quick.emplace_back(here.clearance_mm, &chord);
  }
  out.levers.add(between);
  std::sort(quick.begin(), quick.end());
  out.clearance_mm = kInfinity;
  for (const auto& [at_once, chord] : quick) {
    if (at_once >= out.clearance_mm) break;
    double chords_mm = at_once;
    if (!effort.cut_short())
      chords_mm = std::max(chords_mm, proved_clearance(design_, distance_, out, chord->from, chord->to));
    out.clearance_mm = std::min(out.clearance_mm, chords_mm);
  }
  out.refined = true;
  return out;
}

}  // namespace withy
