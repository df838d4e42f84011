// SPDX-License-Identifier: GPL-3.0-or-later
// What the wall makes of all states in a cell at once: the body clear in all, in none, or not yet known.
//
// A cell is a box of leaf coordinates with half-widths h. The body is placed at the cell's centre; within the
// cell a body point at station s moves by at most
//     m(s) = insertion_lever(s) h_d + curvature_lever(s) |h_u| + sum over frozen regions (s - start) |h_t|
// (motion_bounds.h; a frozen bend that changes by |h_t| turns what is distal of its region's start by as
// much). With c the required clearance:
//   free:    the body's margin by the field, less m(s) at every station and less what the body may lose
//            between stations, is at least c (body_clearance.h).
//   blocked: at some station that stays past the entry plane D + m(s) < R + c (where a passage is within
//   m(s), |D| stands for D: body_clearance.h), or no point within m(s) has room for R + c (geometry/
//   distance/room_bound.h).
// m(s) bounds how far an allowed state of the cell is from its centre, which need not be allowed itself
// (motion_bounds.h). What is blocked counts with radii rounded down, what is free with radii rounded up.
// Where insertion moves the body along itself rather than aside (cell_slide.h), the body at the cell's
// deepest insertion stands for all when free is to be proved, and that at its shallowest when blocked is,
// with
//     m(s) = what insertion moves it aside + curvature_lever(s) |h_u| + sum over frozen regions ...
// and the radius at a station the largest (for blocked the smallest) of the stations that come to its place.
// Without a field (for comparison) distances are exact and one point at a time: stations a apart on the
// centreline, the chord between them keeps d^2 >= min(d_1^2, d_2^2) - a^2/4 (verify.h), and the arc stays
// within kappa a^2 / 8 of the chord; hence free where D - m >= sqrt((R + c + kappa a^2/8)^2 + a^2/4).
// Stations that can't come past the entry plane don't matter.
#pragma once

#include <array>
#include <limits>
#include <optional>
#include <vector>

#include "geometry/distance/outside_bound.h"
#include "geometry/distance/room_bound.h"
#include "planner/motion/body_clearance.h"
#include "planner/search/cells/cell_slide.h"
#include "planner/search/cells/cell_tree.h"
#include "planner/search/problem.h"

namespace withy {

/// What a look at a cell told.
struct CellLook {
  CellStatus status = CellStatus::mixed;
  /// Insertion moves the body along itself rather than aside: the cell may well be long that way.
  bool slides = false;
  /// Mixed, and less insertion would tell more than less bend.
  bool cut_insertion = false;
};

/// Answers for one problem, which must outlive it. Keeps scratch: one per thread.
class CellBody {
 public:
  CellBody(const SearchProblem& problem, const BendChart& chart);

  CellLook check(const Leaf& leaf, const Box& box);

  /// How far a millimetre of insertion moves any point of the cell aside, at most; 1 or more where the body
  /// does not slide.
  double aside_per_mm(const Leaf& leaf, const Box& box) const;

  /// Least margin of the body's stations in one state (mm), by the field where there is one.
  double margin(const State& state);

 private:
  /// The body with stations at one spacing, for cells that move its tip by at least `from_slack_mm`.
  struct Grain {
    double from_slack_mm;
    BodyCheck body;
  };
  struct Station {
    double s_mm;
    double need_free;     ///< distance that keeps the body free about here, between stations included
    double need_blocked;  ///< a distance below this is a collision
  };
  /// Where the body most likely collides.
  struct Suspect {
    Eigen::Vector3d p_E;
    double slack;
    double need;
    double margin;
  };
  /// How far the cell lets a point at a station move; a value.
  struct Reach {
    MotionBounds bounds;
    double dd_mm = 0.0;
    double du_per_mm = 0.0;
    struct Frozen {
      double from_mm = 0.0;
      double turn_rad = 0.0;
    };
    std::array<Frozen, kMaxLocks> frozen;  // as many as count
    int frozen_count = 0;

    double at(double s_mm) const;
  };
  /// Working room. No method leaves anything in it for another: what is passed on is passed by name.
  struct Scratch {
    std::vector<BodyPoints> points;  // of each grain
    std::vector<double> aside_mm;    // by station
    std::vector<float> radii_mm;     // by station
    std::vector<int> suspects;       // stations
  };
  /// The body that stands for a cell, laid out: its points and margins. `radii_mm`: those that a proof of
  /// "blocked" may count with.
  struct Laid {
    const BodyCheck& body;
    const BodyPoints& points;
    const std::vector<float>& radii_mm;
    BodyCheck::Margins margins;
  };
  enum class About : unsigned char { deepest, shallowest };

  void lay_stations();
  void lay_shaft();
  Reach reach_of(const Leaf& leaf, const Box& box, const State& centre) const;
  std::size_t grain_for(double slack_mm) const;
  Laid lay(const Reach& reach, const State& centre);
  Laid lay_sliding(const Reach& reach, const CellSlide& slide, About about, const State& state);
  void count_radii(const BodySampler& sampler, double width_mm, About about, BodyPoints& points,
                   std::vector<float>& radii_mm) const;
  CellLook check_sliding(const Reach& reach, const CellSlide& slide, const Box& box, const State& centre);
  CellStatus judge(const Laid& laid);
  bool is_free(const Laid& laid) const;
  bool sticks_out(const Laid& laid);
  bool has_no_room(const Laid& laid);
  CellStatus check_exactly(const Reach& reach, const Box& box, const State& centre) const;
  CellStatus check_shaft(const Box& box) const;

  const SearchProblem& problem_;
  const BendChart& chart_;
  std::vector<Grain> grains_;  // coarse to fine; none without a field
  std::optional<OutsideBound> outside_;
  std::optional<RoomBound> room_;
  std::vector<Station> stations_;
  std::vector<double> shaft_free_;  // least distance on the axis from the entry plane to k steps past it
  double shaft_known_to_mm_ = std::numeric_limits<double>::infinity();  // no passage is nearer on the axis
  Scratch scratch_;
};

}  // namespace withy
