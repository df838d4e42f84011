// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 15 (a cell by exact distances). The slow twin of lemmas 10 and 11, without a field.
//
// Stations a apart along the body, body radius R, required clearance c, reach m(s) of lemma 5. With D >= d at
// two neighbouring stations wherever the cell moves them, the body between them keeps
//     sqrt(d^2 - a^2 / 4) - kappa a^2 / 8 - R
// (lemma 9); so the cell is free where, at every station that may come past the entry plane,
//     D - m >= hypot(R + c + kappa a^2 / 8, a / 2),
// and no passage is within m + a of it. It is blocked where D + m < R + c at a station that is past the
// entry plane wherever it moves (lemma 7).
//   Premises: as lemmas 10 and 11; a station that parts two radii counts with what either needs.
//   Entry plane: behind it the distance is asked at the projection, and what of the chord to the next station
//   is past the plane leaves the line from there by no more than the station is behind, nor than the chord
//   runs sideways (lemma 9), wherever the cell moves the two.
//   Shaft: on the axis from the entry plane to d - L. Samples a step apart lose at most step^2 / 4 of the
//   square; where a passage is within half a step nothing is known of the axis from there on.
//   Rounding: of exact distances, lengths up to 1e3 mm in double precision: kDistanceRounding_mm each way; of
//   points, kPointRounding_mm on top of the reach. Without that a tip that comes just up to the entry plane
//   and not past it in one state of a hair-thin cell counted as surely past it.
#pragma once

#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/motion/clearance.h"
#include "planner/proof/lemmas/cell_reach.h"
#include "planner/proof/lemmas/cell_status.h"

namespace withy {

/// What is asked of the wall; its parts must outlive whoever holds it.
struct WallQuestion {
  const Design& design;
  const ChannelDistance& distance;
  double required_clearance_mm = 0.0;
};

class CellBodyExact {
 public:
  explicit CellBodyExact(const WallQuestion& asked);

  CellStatus check(const CellReach& reach, const Box& box, const State& centre) const;

  /// Least margin of the stations in one state.
  double margin(const State& state) const;

 private:
  struct Station {
    double s_mm;
    double need_free;     ///< distance that keeps the body free about here, between stations included
    double need_blocked;  ///< a distance below this is a collision
  };
  void lay_stations();
  void lay_shaft();
  CellStatus check_shaft(const Box& box) const;

  const WallQuestion asked_;
  std::vector<Station> stations_;
  std::vector<double> shaft_free_;  // least distance on the axis from the entry plane to k steps past it
  double shaft_known_to_mm_ = kInfinity;  // no passage is nearer on the axis
};

}  // namespace withy
