// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cell_probe.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "planner/motion/motion_bounds.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// Stations are at most this far apart: what the body between them may lose is then below a tenth of a
// millimetre.
constexpr double kStationSpacing_mm = 1.0;
constexpr double kInfinity = std::numeric_limits<double>::infinity();
// The curvature disk's radius counts as at least this much motion of the tip when cells are sized.
constexpr double kLeastDiskSize_mm = 8.0;

double norm2(double x, double y) {
  return std::hypot(x, y);
}

/// Least and greatest |u| over the box.
std::pair<double, double> curvature_range(const Box& box) {
  const auto nearest = [&](int k) { return std::max({0.0, box.low[Box::idx(k)], -box.high[Box::idx(k)]}); };
  const auto farthest = [&](int k) {
    return std::max(std::abs(box.low[Box::idx(k)]), std::abs(box.high[Box::idx(k)]));
  };
  return {norm2(nearest(1), nearest(2)), norm2(farthest(1), farthest(2))};
}

CellStatus both(CellStatus a, CellStatus b) {
  if (a == CellStatus::blocked || b == CellStatus::blocked) return CellStatus::blocked;
  return a == CellStatus::free && b == CellStatus::free ? CellStatus::free : CellStatus::mixed;
}

}  // namespace

double Goal::direction_error(const Eigen::Isometry3d& tip_E) const {
  if (!direction_E) return 0.0;
  const Eigen::Vector3d t = tip_E.linear().col(2);
  return std::atan2(t.cross(*direction_E).norm(), t.dot(*direction_E));
}

CellProbe::CellProbe(const SearchProblem& problem, const BendChart& chart)
    : problem_(problem), chart_(chart), hardware_(problem.design) {
  const Design& design = problem.design;
  const double kappa = design.segment().curvature_max_per_mm;
  std::vector<double> cuts = {0.0, design.length_mm()};
  for (const RigidSpan& span : design.rigid_spans())
    for (const double s : {span.from_mm, span.to_mm}) cuts.push_back(s);
  std::sort(cuts.begin(), cuts.end());
  const auto add = [&](double s, double gap, double radius) {
    const double reach = radius + problem.required_clearance_mm;
    const double free = std::hypot(reach + kappa * gap * gap / 8.0, 0.5 * gap);
    if (!stations_.empty() &&
        stations_.back().s_mm == s) {  // where the radius changes the thicker body counts
      stations_.back().need_free = std::max(stations_.back().need_free, free);
      stations_.back().need_blocked = std::max(stations_.back().need_blocked, reach);
    } else {
      stations_.push_back({s, free, reach});
    }
  };
  for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
    const double span = cuts[i + 1] - cuts[i];
    if (span <= 0.0) continue;
    const int parts = static_cast<int>(std::ceil(span / kStationSpacing_mm));
    const double radius = design.body_radius(0.5 * (cuts[i] + cuts[i + 1]));
    for (int k = 0; k <= parts; ++k)
      add(k == parts ? cuts[i + 1] : cuts[i] + span * k / parts, span / parts, radius);
  }

  // The shaft only ever stands on the axis: the least distance to a depth answers for it.
  const double depth = design.carriage().insertion_max_mm - design.length_mm();
  shaft_step_mm_ = 0.25;
  double least = kInfinity;
  for (double z = 0.0; depth > 0.0 && z <= depth + shaft_step_mm_; z += shaft_step_mm_) {
    const Eigen::Vector3d p(0.0, 0.0, z);
    const bool inside = problem.distance->exact().inside(p);
    const double d = problem.distance->exact().distance(p);
    least = std::min(least, inside ? d : -d);
    shaft_free_.push_back(least);
  }
}

CellTravel CellProbe::travel(const Leaf& leaf, const Box& box) const {
  const Design& design = problem_.design;
  const State state = centre_state(chart_, leaf, box);
  const MotionBounds bounds =
      motion_bounds(design, state, box.low[0], box.high[0], curvature_range(box).second);
  const double tip = design.length_mm();
  CellTravel travel;
  travel.by_coordinate[0] = box.half(0) * bounds.insertion_lever(tip);
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
  const int n = chart_.coordinates();
  for (std::size_t r = 0; r < leaf.base.size(); ++r) {
    Eigen::Vector2d low = leaf.base[r];
    Eigen::Vector2d high = leaf.base[r];
    for (int c = 0; c < n; ++c) {
      const auto k = 3 + r * static_cast<std::size_t>(n) + Box::idx(c);
      const Eigen::Vector2d a = chart_.axes().col(c) * box.low[k];
      const Eigen::Vector2d b = chart_.axes().col(c) * box.high[k];
      low += a.cwiseMin(b);
      high += a.cwiseMax(b);
    }
    out.theta_lo[r] = low;
    out.theta_hi[r] = high;
  }
  return out;
}

CellStatus CellProbe::check_curvature(const Leaf& leaf, const Box& box) const {
  const double kappa = problem_.design.segment().curvature_max_per_mm * (1.0 + 1e-9);
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
  if (!problem_.heeded.tendons || !hardware_.checks_tendons()) return CellStatus::free;
  switch (hardware_.states_over(state_box(leaf, box))) {
    case BoxVerdict::none:
      return CellStatus::blocked;
    case BoxVerdict::all:
      return CellStatus::free;
    case BoxVerdict::some:
      return CellStatus::mixed;
  }
  return CellStatus::mixed;
}

CellStatus CellProbe::check_shaft(const Box& box) const {
  const double length = problem_.design.length_mm();
  const double need = problem_.design.segment().radius_mm + problem_.required_clearance_mm;
  const auto least_to = [&](double z) {
    return shaft_free_[std::min(shaft_free_.size() - 1,
                                static_cast<std::size_t>(std::ceil(z / shaft_step_mm_)))];
  };
  // Samples a step apart on the axis: the gap between two loses at most a^2/4 of the square (verify.h).
  const double need_free = std::hypot(need, 0.5 * shaft_step_mm_);
  if (box.low[0] > length) {
    const auto whole_steps = static_cast<std::size_t>((box.low[0] - length) / shaft_step_mm_);
    if (shaft_free_[std::min(shaft_free_.size() - 1, whole_steps)] < need) return CellStatus::blocked;
  }
  if (box.high[0] > length && least_to(box.high[0] - length) < need_free) return CellStatus::mixed;
  return CellStatus::free;
}

CellStatus CellProbe::check_body(const Leaf& leaf, const Box& box) {
  const Design& design = problem_.design;
  const ChannelDistance& distance = *problem_.distance;
  const State state = centre_state(chart_, leaf, box);
  const MotionBounds bounds =
      motion_bounds(design, state, box.low[0], box.high[0], curvature_range(box).second);
  const auto stretches = stretches_of(design, leaf.engaged);
  const Shape shape(design, state);
  for (const Region& region : shape.regions())
    if (!region.u.allFinite())
      return CellStatus::mixed;  // the centre itself is past a limit: nowhere to put the body
  const double h_u = norm2(box.half(1), box.half(2));
  const int n = chart_.coordinates();
  const auto slack = [&](double s) {
    double m = bounds.insertion_lever(s) * box.half(0) + bounds.curvature_lever_mm2(s) * h_u;
    for (int r = 0; n > 0 && r < leaf.engaged_count(); ++r) {
      const double l = s - std::max(stretches[Box::idx(r)].from_mm, bounds.exposed_from_mm);
      if (l <= 0.0) break;
      m += l * (n == 1 ? box.half(3 + r) : norm2(box.half(3 + 2 * r), box.half(4 + 2 * r)));
    }
    return m;
  };
  bool all_free = true;
  Eigen::Vector3d distal = shape.tip_E().translation();
  suspects_.clear();
  // From the tip back: what is deepest inside is likeliest to touch.
  for (std::size_t i = stations_.size(); i-- > 0;) {
    const Station& station = stations_[i];
    if (box.high[0] - design.length_mm() + station.s_mm + kStationSpacing_mm <= 0.0) break;
    const Eigen::Vector3d p = shape.point_E(station.s_mm);
    const double m = slack(station.s_mm);
    const double sideways = (p - distal).head<2>().norm();
    distal = p;
    if (p.z() + m + kStationSpacing_mm <= 0.0) continue;
    double lower = distance.signed_lower(p);
    // Behind the entry plane the answer is for the projection, p itself may be off by as much as it is
    // behind; the chord to the next station crosses the plane no farther from the projection than it runs
    // sideways.
    if (p.z() < 0.0) lower -= std::min(-p.z(), sideways);
    if (lower - m < station.need_free || distance.outlet_distance(p) <= m + kStationSpacing_mm)
      all_free = false;
    if (p.z() - m > 0.0 && lower + m < station.need_blocked)
      suspects_.push_back({p, m, station.need_blocked, lower + m - station.need_blocked});
  }
  if (all_free) return CellStatus::free;
  return some_suspect_collides() ? CellStatus::blocked : CellStatus::mixed;
}

/// Looks exactly at the likeliest collisions: the deepest by the bound, or, where the bound knows no depth,
/// spread over them.
bool CellProbe::some_suspect_collides() {
  if (suspects_.empty()) return false;
  const auto collides = [&](const Suspect& s) {
    return problem_.distance->signed_upper(s.p_E, s.slack) + s.slack < s.need;
  };
  const auto deepest =
      std::min_element(suspects_.begin(), suspects_.end(),
                       [](const Suspect& a, const Suspect& b) { return a.margin < b.margin; });
  if (std::isfinite(deepest->margin)) return collides(*deepest);
  const auto unknown = std::partition(suspects_.begin(), suspects_.end(),
                                      [](const Suspect& s) { return !std::isfinite(s.margin); });
  const auto count = static_cast<std::size_t>(unknown - suspects_.begin());
  return collides(suspects_[count / 2]) || collides(suspects_[count - 1]) || collides(suspects_.front());
}

CellStatus CellProbe::check(const Leaf& leaf, const Box& box) {
  ++checks_;
  CellStatus status = check_curvature(leaf, box);
  if (status == CellStatus::blocked) return status;
  status = both(status, check_hardware(leaf, box));
  if (status == CellStatus::blocked || !problem_.heeded.clearance) return status;
  status = both(status, check_shaft(box));
  if (status == CellStatus::blocked) return status;
  return both(status, check_body(leaf, box));
}

bool CellProbe::may_hold_goal(const Leaf& leaf, const Box& box) const {
  if (check_curvature(leaf, box) == CellStatus::blocked) return false;
  const State state = centre_state(chart_, leaf, box);
  const Shape shape(problem_.design, state);
  for (const Region& region : shape.regions())
    if (!region.u.allFinite()) return true;
  const Goal& goal = problem_.goal;
  const Eigen::Isometry3d tip = shape.tip_E();
  const double reach = travel(leaf, box).total;
  if (goal.distance(tip) > goal.tolerance_mm + reach) return false;
  if (!goal.direction_E) return true;
  // The tip turns by no more than its bending angles change: |h_u| l + kappa h_d + sum |h_t|.
  const MotionBounds bounds =
      motion_bounds(problem_.design, state, box.low[0], box.high[0], curvature_range(box).second);
  const double l = problem_.design.length_mm() - std::max(bounds.free_from_mm, bounds.exposed_from_mm);
  double turn = norm2(box.half(1), box.half(2)) * std::max(0.0, l) + bounds.kappa_per_mm * box.half(0);
  for (int k = 3; k < box.dimensions; ++k) turn += box.half(k);
  return goal.direction_error(tip) <= goal.direction_tolerance_rad + turn;
}

}  // namespace withy
