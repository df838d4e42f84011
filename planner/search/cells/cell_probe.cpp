// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_probe.h"

#include <algorithm>
#include <cmath>

#include "planner/proof/lemmas/motion_bounds.h"

namespace withy {

namespace {

// The curvature disk's radius counts as at least this much motion of the tip when cells are sized.
constexpr double kLeastDiskSize_mm = 8.0;

// Insertion counts as at least this much motion where the body slides: it still brings up what is thick, and
// the tip to what is ahead.
constexpr double kLeastAside = 0.1;

}  // namespace

CellProbe::CellProbe(const SearchProblem& problem, const BendChart& chart)
    : problem_(problem),
      chart_(chart),
      hardware_(problem.design, problem.least_reserve),
      body_({problem.design, *problem.distance, problem.required_clearance_mm}, chart),
      tip_(problem.design, chart) {}

CellTravel CellProbe::travel(const Leaf& leaf, const Box& cell, bool slides) {
  const Design& design = problem_.design;
  const AllowedBox allowed = AllowedBox::of(design, chart_, leaf, cell);
  const Box& box = allowed.box();
  const State state = centre_state(chart_, leaf, box);
  const MotionBounds bounds = motion_bounds(design, StateRange::of_cell(allowed, state));
  const double tip = design.length_mm();
  CellTravel travel;
  const double insertion_lever = bounds.insertion_lever(tip);
  travel.by_coordinate[0] =
      box.half(0) * (slides ? std::clamp(body_.aside_per_mm(leaf, allowed), kLeastAside, insertion_lever)
                            : insertion_lever);
  // Where little of the segment is out, curvature hardly moves the tip, yet its limit still divides the cell.
  const double lever =
      std::max(bounds.curvature_lever_mm2(tip), kLeastDiskSize_mm / design.segment().curvature_max_per_mm);
  travel.by_coordinate[1] = box.half(1) * lever;
  travel.by_coordinate[2] = box.half(2) * lever;
  travel.total = travel.by_coordinate[0] + std::hypot(travel.by_coordinate[1], travel.by_coordinate[2]);
  if (box.dimensions > 3) {
    const auto stretches = stretches_of(design, leaf.engaged);
    const int n = chart_.coordinates();
    for (int r = 0; r < leaf.engaged_count(); ++r) {
      const double l = tip - std::max(stretches[Box::idx(r)].from_mm, bounds.exposed_from_mm);
      double square = 0.0;
      for (int c = 0; c < n; ++c) {
        const double m = box.half(3 + r * n + c) * l;
        travel.by_coordinate[Box::idx(3 + r * n + c)] = m;
        square += m * m;
      }
      travel.total += std::sqrt(square);
    }
  }
  travel.widest = static_cast<int>(
      std::max_element(travel.by_coordinate.begin(), travel.by_coordinate.begin() + box.dimensions) -
      travel.by_coordinate.begin());
  return travel;
}

CellStatus CellProbe::check_hardware(const Leaf& leaf, const Box& box) const {
  const auto status_of = [](BoxVerdict verdict) {
    switch (verdict) {
      case BoxVerdict::none:
        return CellStatus::blocked;
      case BoxVerdict::all:
        return CellStatus::free;
      case BoxVerdict::some:
        return CellStatus::mixed;
    }
    return CellStatus::mixed;
  };
  CellStatus status = CellStatus::free;
  if (problem_.heeded.tendons && hardware_.checks_tendons())
    status = status_of(hardware_.states_over(state_box(leaf, box)));
  if (status != CellStatus::blocked && problem_.heeded.field && hardware_.magnets_couple())
    status = both(status, status_of(hardware_.coupling_over(state_box(leaf, box))));
  return status;
}

CellLook CellProbe::check(const Leaf& leaf, const Box& box) {
  ++checks_;
  CellStatus status = curvature_over(problem_.design, chart_, leaf, box);  // lemma 2
  if (status == CellStatus::blocked) return {status};
  // Where this leaves anything out, curvature has the cell mixed already.
  const AllowedBox allowed = AllowedBox::of(problem_.design, chart_, leaf, box);  // lemma 1
  status = both(status, check_hardware(leaf, allowed.box()));                     // lemmas 18 to 20
  if (status == CellStatus::blocked || !problem_.heeded.clearance) return {status};
  CellLook look = body_.check(leaf, allowed);  // lemmas 10, 11, 14
  look.status = both(status, look.status);
  // What is mixed by other limits is not to be long for the body's sake.
  if (status == CellStatus::mixed) look.slides = look.cut_insertion = false;
  return look;
}

/// Lemmas 2 and 6.
bool CellProbe::may_hold_goal(const Goal& goal, const Leaf& leaf, const Box& cell) {
  if (curvature_over(problem_.design, chart_, leaf, cell) == CellStatus::blocked) return false;
  const auto tip = tip_.range(leaf, AllowedBox::of(problem_.design, chart_, leaf, cell));
  if (!tip) return true;
  const bool near =
      goal.region
          ? tip->may_come_within(goal.tolerance_mm,
                                 [&](const Eigen::Vector3d& p_E) { return goal.region->outside_mm(p_E); })
          : tip->may_come_within(goal.tolerance_mm, goal.point_E);
  return near && tip->may_point_within(goal.direction_tolerance_rad, goal.direction_error(tip->middle_E()));
}

}  // namespace withy
