// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_probe.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "planner/motion/motion_bounds.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// The curvature disk's radius counts as at least this much motion of the tip when cells are sized.
constexpr double kLeastDiskSize_mm = 8.0;

// Insertion counts as at least this much motion where the body slides: it still brings up what is thick, and
// the tip to what is ahead.
constexpr double kLeastAside = 0.1;

// What rounding may cost a tip's place and direction: sums of lengths up to 1e3 mm in double precision.
constexpr double kTipRounding_mm = 1e-9;
constexpr double kTipRounding_rad = 1e-9;

double norm2(double x, double y) {
  return std::hypot(x, y);
}

CellStatus both(CellStatus a, CellStatus b) {
  if (a == CellStatus::blocked || b == CellStatus::blocked) return CellStatus::blocked;
  return a == CellStatus::free && b == CellStatus::free ? CellStatus::free : CellStatus::mixed;
}

}  // namespace

CellProbe::CellProbe(const SearchProblem& problem, const BendChart& chart)
    : problem_(problem),
      chart_(chart),
      hardware_(problem.design, problem.least_reserve),
      body_(problem, chart) {}

CellTravel CellProbe::travel(const Leaf& leaf, const Box& cell, bool slides) {
  const Design& design = problem_.design;
  const Box box = allowed_bends(design, chart_, leaf, cell);
  const State state = centre_state(chart_, leaf, box);
  const MotionBounds bounds =
      motion_bounds(design, state, box.low[0], box.high[0], curvature_range(box).second);
  const double tip = design.length_mm();
  CellTravel travel;
  const double insertion_lever = bounds.insertion_lever(tip);
  travel.by_coordinate[0] =
      box.half(0) *
      (slides ? std::clamp(body_.aside_per_mm(leaf, box), kLeastAside, insertion_lever) : insertion_lever);
  // Where little of the segment is out, curvature hardly moves the tip, yet its limit still divides the cell.
  const double lever =
      std::max(bounds.curvature_lever_mm2(tip), kLeastDiskSize_mm / design.segment().curvature_max_per_mm);
  travel.by_coordinate[1] = box.half(1) * lever;
  travel.by_coordinate[2] = box.half(2) * lever;
  travel.total = travel.by_coordinate[0] + norm2(travel.by_coordinate[1], travel.by_coordinate[2]);
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

StateBox CellProbe::state_box(const Leaf& leaf, const Box& box) const {
  StateBox out;
  out.engaged = leaf.engaged;
  out.insertion_lo_mm = box.low[0];
  out.insertion_hi_mm = box.high[0];
  out.u_lo = {box.low[1], box.low[2]};
  out.u_hi = {box.high[1], box.high[2]};
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const BendRange range = frozen_bends(chart_, leaf, box, r);
    out.theta_lo[r] = range.low;
    out.theta_hi[r] = range.high;
  }
  return out;
}

CellStatus CellProbe::check_curvature(const Leaf& leaf, const Box& box) const {
  const double kappa = problem_.design.segment().curvature_max_per_mm * kCurvatureRounding;
  const auto [least, most] = curvature_range(box);
  if (least > kappa) return CellStatus::blocked;
  CellStatus status = most <= kappa ? CellStatus::free : CellStatus::mixed;
  const auto stretches = stretches_of(problem_.design, leaf.engaged);
  const StateBox states = state_box(leaf, box);
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    const Eigen::Array2d lo = states.theta_lo[r];
    const Eigen::Array2d hi = states.theta_hi[r];
    const double theta_least = lo.max(-hi).max(0.0).matrix().norm();
    const double theta_most = lo.abs().max(hi.abs()).matrix().norm();
    const auto exposed = [&](double d) {
      return exposed_flexible_length(problem_.design, d, stretches[r].from_mm, stretches[r].to_mm);
    };
    if (theta_least > kappa * exposed(box.high[0])) return CellStatus::blocked;
    if (theta_most > kappa * exposed(box.low[0])) status = CellStatus::mixed;
  }
  return status;
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
  CellStatus status = check_curvature(leaf, box);
  if (status == CellStatus::blocked) return {status};
  // Where this leaves anything out, curvature has the cell mixed already.
  const Box allowed = allowed_bends(problem_.design, chart_, leaf, box);
  status = both(status, check_hardware(leaf, allowed));
  if (status == CellStatus::blocked || !problem_.heeded.clearance) return {status};
  CellLook look = body_.check(leaf, allowed);
  look.status = both(status, look.status);
  // What is mixed by other limits is not to be long for the body's sake.
  if (status == CellStatus::mixed) look.slides = look.cut_insertion = false;
  return look;
}

/// The same where insertion carries the body along as one piece (leaf_tip.h): within the box the tip moves by
/// at most |h_u| l^2 / 2 about the centre's, and along z by h_d; it turns by at most |h_u| l.
bool CellProbe::may_hold_goal_rigidly(const Goal& goal, const Leaf& leaf, const Box& box) {
  if (!tip_ || !tip_->is_of(leaf)) tip_.emplace(problem_.design, leaf);
  const Eigen::Isometry3d tip = tip_->at({box.centre(1), box.centre(2)});
  const double l = tip_->free_length_mm();
  const double h_u = norm2(box.half(1), box.half(2));
  const Eigen::Vector3d off = tip.translation() - goal.point_E;
  const double along = std::max(0.0, std::abs(off.z() + box.centre(0)) - box.half(0));
  if (std::hypot(off.x(), off.y(), along) > goal.tolerance_mm + 0.5 * l * l * h_u + kTipRounding_mm)
    return false;
  return goal.direction_error(tip) <= goal.direction_tolerance_rad + l * h_u + kTipRounding_rad;
}

bool CellProbe::may_hold_goal(const Goal& goal, const Leaf& leaf, const Box& cell) {
  if (check_curvature(leaf, cell) == CellStatus::blocked) return false;
  const Box box = allowed_bends(problem_.design, chart_, leaf, cell);
  if (problem_.design.carriage().kind == CarriageKind::free && chart_.coordinates() == 0)
    return may_hold_goal_rigidly(goal, leaf, box);
  const State state = centre_state(chart_, leaf, box);
  const Shape shape(problem_.design, state);
  for (const Region& region : shape.regions())
    if (!region.u.allFinite()) return true;
  const Eigen::Isometry3d tip = shape.tip_E();
  const double reach = travel(leaf, box).total;
  if (goal.distance(tip) > goal.tolerance_mm + reach + kTipRounding_mm) return false;
  if (!goal.direction_E) return true;
  // The tip turns by no more than its bending angles change: |h_u| l + kappa h_d + sum |h_t|.
  const MotionBounds bounds =
      motion_bounds(problem_.design, state, box.low[0], box.high[0], curvature_range(box).second);
  const double l = problem_.design.length_mm() - std::max(bounds.free_from_mm, bounds.exposed_from_mm);
  double turn = norm2(box.half(1), box.half(2)) * std::max(0.0, l) + bounds.kappa_per_mm * box.half(0);
  for (int k = 3; k < box.dimensions; ++k) turn += box.half(k);
  return goal.direction_error(tip) <= goal.direction_tolerance_rad + turn + kTipRounding_rad;
}

}  // namespace withy
