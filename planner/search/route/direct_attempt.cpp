// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/direct_attempt.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <Eigen/QR>

#include "planner/effort/shares.h"
#include "planner/search/cells/compass_search.h"
#include "planner/search/cells/friction_goals.h"
#include "planner/search/cells/goal_descent.h"
#include "planner/search/cells/goal_residual.h"
#include "planner/search/route/joining.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// Differences for its derivatives: far above rounding, far below what bends the tip's way.
constexpr double kInsertionDifference_mm = 1e-4;
constexpr double kCurvatureDifference_per_mm = 1e-7;
// The longest of its steps, as a part of the curvature limit.
constexpr double kLongestStep = 0.7;
// Drawing back by less than this (mm) leads nowhere.
constexpr double kLeastDraw_mm = 1.0;
// A bend to more room is looked for only this far off (mm).
constexpr double kFarthestBend_mm = 25.0;
// Room (mm) beyond the required clearance that is enough.
constexpr double kRoomEnough_mm = 0.5;

State moved(const Design& design, const State& from, const Eigen::Vector3d& step) {
  State to = from;
  to.insertion_mm = std::clamp(from.insertion_mm + step[0], 0.0, design.carriage().insertion_max_mm);
  to.u_free = clamp_to_curvature_disk(design, to.u_free + step.tail<2>());
  return to;
}

}  // namespace

std::optional<Route> DirectAttempt::run(int most_switches, const Effort& effort) {
  effort_ = effort;
  constexpr std::int64_t kAll = Effort::kAnyWork / shares::kDirectQuarters;
  most_work_ = shares::kDirectQuarters * std::min(effort.work(), kAll);
  end_ = problem_.start;
  held_.reset();
  const Design& design = problem_.design;
  // Leaves whose frozen bends are continuous along lines are no finite number, and no goal states of them are
  // sought.
  const int locks = probe_.chart().kind() == LatticeKind::lines ? 0 : design.lock_count();
  for (int engaged = 0; engaged <= std::min(locks, most_switches); ++engaged)
    for (const GoalState& goal : goal_states(engaged)) {
      if (spent()) return std::nullopt;
      one_goals_end_ = work_ + shares::kDirectGoalWork;
      way_ = farthest_ = {{goal.state, -1}};
      if (draw_back(goal.state)) return route();
    }
  return std::nullopt;
}

/// Goal states clear of the wall in leaves with so many engaged locks, those with most room first.
std::vector<DirectAttempt::GoalState> DirectAttempt::goal_states(int engaged) {
  std::vector<GoalState> goals;
  const Design& design = problem_.design;
  const auto add_clear = [&](State state) {
    const double room = problem_.heeded.clearance ? margin(state) : problem_.required_clearance_mm;
    if (room >= problem_.required_clearance_mm) goals.push_back({std::move(state), room});
  };
  if (engaged > 0 && probe_.chart().kind() == LatticeKind::everything) {
    const auto go_on = [&](std::int64_t work) {
      work_ += work;
      return !spent();
    };
    for (State& state : friction_goal_states(design, probe_.chart(), goal_, engaged, go_on))
      add_clear(std::move(state));
    sort_widest_first(goals);
    return goals;
  }
  for_each_leaf(design, probe_.chart(), engaged, effort_, [&](const Leaf& leaf) {
    std::vector<State> found;
    add_goal_states(leaf, whole_leaf(design, probe_.chart(), leaf), shares::kDirectHalvings, found);
    for (State& state : found) add_clear(std::move(state));
    return !spent();
  });
  sort_widest_first(goals);
  return goals;
}

void DirectAttempt::sort_widest_first(std::vector<GoalState>& goals) {
  std::stable_sort(goals.begin(), goals.end(),
                   [](const GoalState& a, const GoalState& b) { return a.margin_mm > b.margin_mm; });
}

/// Halves the leaf until what is left of it may be solved from its middle: its curvatures only, where the tip
/// goes with the insertion and a look takes all insertions at once (CellProbe::may_hold_goal).
void DirectAttempt::add_goal_states(const Leaf& leaf, const Box& box, int halvings, std::vector<State>& out) {
  work_ += shares::kDirectLookWork;
  if (!probe_.may_hold_goal(goal_, leaf, box)) return;
  if (halvings > 0) {
    const bool free = problem_.design.carriage().kind == CarriageKind::free;
    const int axis = free ? (box.half(1) > box.half(2) ? 1 : 2) : probe_.travel(leaf, box).widest;
    Box part = box;
    part.high[Box::idx(axis)] = box.centre(axis);
    add_goal_states(leaf, part, halvings - 1, out);
    part.high[Box::idx(axis)] = box.high[Box::idx(axis)];
    part.low[Box::idx(axis)] = box.centre(axis);
    add_goal_states(leaf, part, halvings - 1, out);
    return;
  }
  State seed = centre_state(probe_.chart(), leaf, box);
  // Solutions nearer to one another than a box is wide are one.
  const double near = 2.0 * std::hypot(box.half(1), box.half(2));
  const auto known = [&](const State& state) {
    return std::any_of(out.begin(), out.end(),
                       [&](const State& other) { return (other.u_free - state.u_free).norm() < near; });
  };
  if (known(seed)) return;
  const auto goal = solve_goal(seed);
  if (goal && !known(*goal)) out.push_back(spared(*goal));
}

/// A state near `state` that holds the goal, and keeps its limits.
std::optional<State> DirectAttempt::solve_goal(State state) {
  const Design& design = problem_.design;
  const double kappa = design.segment().curvature_max_per_mm;
  const std::array<double, 3> difference = {kInsertionDifference_mm, kCurvatureDifference_per_mm,
                                            kCurvatureDifference_per_mm};
  for (int step = 0; step < shares::kDirectNewtonSteps; ++step) {
    work_ += shares::kDirectNewtonWork;
    const GoalResidual r = goal_residual(design, goal_, state);
    if (goal_miss(design, goal_, state) <= 0.0)
      return within_limits(design, state) ? std::optional<State>(state) : std::nullopt;
    Eigen::Matrix<double, 6, 3> slope;
    for (int c = 0; c < 3; ++c) {
      State beside = state;
      (c == 0 ? beside.insertion_mm : beside.u_free[c - 1]) += difference[static_cast<std::size_t>(c)];
      slope.col(c) = (goal_residual(design, goal_, beside) - r) / difference[static_cast<std::size_t>(c)];
    }
    Eigen::Vector3d by = -slope.colPivHouseholderQr().solve(r);
    if (!by.allFinite()) return std::nullopt;
    const double bend = by.tail<2>().norm();
    if (bend > kLongestStep * kappa) by *= kLongestStep * kappa / bend;
    state = moved(design, state, by);
  }
  return std::nullopt;
}

/// Where the hardware's limits are broken, a goal state near it with less curvature, which asks less of
/// them.
State DirectAttempt::spared(const State& goal) {
  if (!problem_.heeded.tendons || !judge_.hardware().state_breach(goal)) return goal;
  const double l = problem_.design.length_mm();
  const double step_mm = 0.5 * goal_.tolerance_mm;
  const double step_per_mm = step_mm / (0.5 * l * l);
  return compass_search(
      goal, 0.0, {{step_mm, step_per_mm, step_per_mm}, shares::kDirectSpareRounds},
      [](const State& s) { return s.u_free.norm(); },
      [&](const State& s, int) { return moved(problem_.design, s, Eigen::Vector3d::Zero()); },
      [&](const State& s) {
        work_ += shares::kDirectSpareWork;
        return goal_miss(problem_.design, goal_, s) <= 0.0;
      });
}

double DirectAttempt::margin(const State& state) {
  work_ += shares::kDirectMarginWork;
  return probe_.body_margin(state);
}

std::int64_t DirectAttempt::work() const {
  return work_ / shares::kDirectQuarters;
}

bool DirectAttempt::moves(const State& from, const State& to) {
  work_ += shares::kDirectMotionWork;
  return judge_.motion_allowed(from, to);
}

WayOut DirectAttempt::way_out(const State& from, const LockSet& held, const Effort& effort) {
  effort_ = effort;
  most_work_ = work_ + shares::kDirectQuarters * std::min(effort.work(), shares::kWayOutWork);
  one_goals_end_ = most_work_;
  end_ = start_state();
  held_ = held;
  way_ = farthest_ = {{from, -1}};
  WayOut out;
  out.whole = draw_back(from);
  out.route.start = from;
  const std::vector<BackStep>& found = out.whole ? way_ : farthest_;
  for (std::size_t i = 1; i < found.size(); ++i)
    if (found[i].lock >= 0 || !(found[i].at == out.route.state_before(out.route.steps.size())))
      out.route.steps.push_back({found[i].lock, false, found[i].at});
  if (out.whole && held.none() && !(out.route.state_before(out.route.steps.size()) == end_))
    out.route.steps.push_back({-1, false, end_});
  return out;
}

/// Is the way's end reached, or one motion from here?
bool DirectAttempt::arrived(const State& at) {
  if (held_.any()) return at.insertion_mm <= 0.0;
  return at.engaged == end_.engaged && at.theta_frozen == end_.theta_frozen && moves(end_, at);
}

/// From the way's last state back to its end: true when it got there, with the way there in way_.
bool DirectAttempt::draw_back(const State& from) {
  if (from.insertion_mm < farthest_.back().at.insertion_mm) farthest_ = way_;
  if (spent() || work_ >= one_goals_end_) return false;
  if (arrived(from)) return true;
  State out = from;
  out.insertion_mm = 0.0;
  if (from.insertion_mm > 0.0 && moves(out, from) && go_on({out, -1})) return true;
  if (release_one(from)) return true;
  return from.insertion_mm > 0.0 && draw_some(from);
}

bool DirectAttempt::go_on(BackStep step) {
  way_.push_back(std::move(step));
  const State at = way_.back().at;
  if (draw_back(at)) return true;
  way_.pop_back();
  return false;
}

/// Releases a lock where it stands, the most distal first, and goes on.
bool DirectAttempt::release_one(const State& from) {
  for (int lock = problem_.design.lock_count(); lock-- > 0;) {
    const auto i = static_cast<std::size_t>(lock);
    if (!from.engaged.test(i) || held_.test(i)) continue;
    const auto at = switch_state(problem_.design, from, lock, from.insertion_mm);
    if (!at) continue;
    const State released = after_unlock(problem_.design, *at, lock);
    work_ += shares::kDirectSwitchWork;
    if (!judge_.switch_allowed(released, lock, *at) || !moves(*at, from)) continue;
    way_.push_back({*at, -1});
    if (go_on({released, lock})) return true;
    way_.pop_back();
  }
  return false;
}

/// Draws back as far as it is allowed, with the bend as it is or bent to more room, and goes on.
bool DirectAttempt::draw_some(const State& from) {
  for (double by = 0.5 * from.insertion_mm; by >= kLeastDraw_mm; by *= 0.5) {
    State to = from;
    to.insertion_mm -= by;
    if (moves(to, from)) return go_on({to, -1});
    if (by > kFarthestBend_mm) continue;
    to = widest(to);
    if (moves(to, from)) return go_on({to, -1});
  }
  return false;
}

State DirectAttempt::widest(State state) {
  const double kappa = problem_.design.segment().curvature_max_per_mm;
  const double enough = problem_.required_clearance_mm + kRoomEnough_mm;
  return compass_search(
      std::move(state), -enough, {{0.0, 0.25 * kappa, 0.25 * kappa}, shares::kDirectRoomRounds},
      [&](const State& s) { return -margin(s); },
      [&](const State& s, int) { return moved(problem_.design, s, Eigen::Vector3d::Zero()); },
      [](const State&) { return true; });
}

/// The way, forward.
Route DirectAttempt::route() const {
  Route route{{}, problem_.start};
  for (std::size_t i = way_.size(); i-- > 0;) {
    const int lock = i + 1 < way_.size() ? way_[i + 1].lock : -1;
    if (lock < 0 && way_[i].at == route.state_before(route.steps.size())) continue;
    route.steps.push_back({lock, lock >= 0, way_[i].at});
  }
  return route;
}

}  // namespace withy
