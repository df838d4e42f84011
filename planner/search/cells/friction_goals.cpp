// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/friction_goals.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/numbers/decompositions.h"
#include "planner/effort/shares.h"
#include "planner/motion/action.h"
#include "planner/search/cells/goal_descent.h"
#include "planner/search/cells/goal_residual.h"
#include "planner/segment/curvature_limit.h"

namespace withy {

namespace {

// Frozen bends that are started from: straight, and this share of the largest in kFrictionGoalDirections.
constexpr double kRingShare = 0.5;
// Difference for its derivatives (mm of the tip's way): far above rounding, far below what bends that way.
constexpr double kDifference_mm = 1e-4;
// The longest of its steps, as a part of the segment's length.
constexpr double kLongestStep = 0.5;
// A frozen bend's share of the largest that its region can make.
constexpr double kMostBend = 0.98;

/// Coordinates in mm of the tip's way, about: insertion, free curvature, frozen bends, less what is pinned.
class GoalNewton {
 public:
  GoalNewton(const Design& design, const BendChart& chart, const Goal& goal, const LockSet& engaged)
      : design_(design), goal_(goal), stretches_(stretches_of(design, engaged)) {
    const double half = 0.5 * design.length_mm();
    add({-1, 0}, 1.0);
    for (int region = 0; region <= static_cast<int>(engaged.count()); ++region)
      for (int c = 0; c < 2; ++c)
        if (c != chart.pinned())
          add({region, c}, is_free(region) ? 1.0 / (half * design.length_mm()) : 1.0 / half);
  }

  int steps() const { return steps_; }

  std::optional<State> solve(State state) {
    for (steps_ = 0; steps_ < shares::kDirectNewtonSteps; ++steps_) {
      if (goal_miss(design_, goal_, state) <= 0.0)
        return within_limits(design_, state) ? std::optional<State>(state) : std::nullopt;
      const GoalResidual r = goal_residual(design_, goal_, state);
      Eigen::MatrixXd slope(6, count());
      for (int i = 0; i < count(); ++i) {
        State beside = state;
        value(beside, i) += kDifference_mm * scale_[at(i)];
        slope.col(i) = (goal_residual(design_, goal_, beside) - r) / kDifference_mm;
      }
      Eigen::VectorXd by = -least_norm_solution(slope, r);
      if (!by.allFinite()) return std::nullopt;
      const double longest = kLongestStep * design_.length_mm();
      if (by.norm() > longest) by *= longest / by.norm();
      for (int i = 0; i < count(); ++i) value(state, i) += by[i] * scale_[at(i)];
      keep_limits(state);
    }
    return std::nullopt;
  }

  /// The largest bend of a frozen region.
  double most_bend(int region) const {
    const Stretch& s = stretches_[at(region)];
    return kMostBend * design_.segment().curvature_max_per_mm * design_.flexible_length(s.from_mm, s.to_mm);
  }

 private:
  struct Coordinate {
    int region;  // -1: insertion
    int component;
  };
  static std::size_t at(int i) { return static_cast<std::size_t>(i); }
  int count() const { return static_cast<int>(coordinates_.size()); }
  bool is_free(int region) const { return at(region) + 1 == stretches_.size(); }

  void add(const Coordinate& coordinate, double scale) {
    coordinates_.push_back(coordinate);
    scale_.push_back(scale);
  }

  double& value(State& state, int i) const {
    const Coordinate& c = coordinates_[at(i)];
    if (c.region < 0) return state.insertion_mm;
    return is_free(c.region) ? state.u_free[c.component] : state.theta_frozen[at(c.region)][c.component];
  }

  void keep_limits(State& state) const {
    state.insertion_mm = std::clamp(state.insertion_mm, 0.0, design_.carriage().insertion_max_mm);
    state.u_free = clamp_to_curvature_disk(design_, state.u_free);
    for (int r = 0; !is_free(r); ++r) {
      Eigen::Vector2d& theta = state.theta_frozen[at(r)];
      if (theta.norm() > most_bend(r)) theta *= most_bend(r) / theta.norm();
    }
  }

  const Design& design_;
  const Goal& goal_;
  std::vector<Stretch> stretches_;
  std::vector<Coordinate> coordinates_;
  std::vector<double> scale_;
  int steps_ = 0;
};

/// Straight, and a ring of directions.
std::vector<Eigen::Vector2d> ring(double radius, int pinned) {
  std::vector<Eigen::Vector2d> points = {Eigen::Vector2d::Zero()};
  for (int k = 0; k < shares::kFrictionGoalDirections; ++k) {
    const double phi = 2.0 * std::numbers::pi * k / shares::kFrictionGoalDirections;
    Eigen::Vector2d point(radius * std::cos(phi), radius * std::sin(phi));
    if (pinned >= 0) point[pinned] = 0.0;
    points.push_back(point);
  }
  return points;
}

/// All starts of one set of engaged locks, region by region; false where it was told to stop.
bool each_start(const GoalNewton& newton, const BendChart& chart, const State& so_far, int regions,
                const std::function<bool(const State&)>& take) {
  const int region = static_cast<int>(so_far.theta_frozen.size());
  if (region == regions) return take(so_far);
  for (const Eigen::Vector2d& bend : ring(kRingShare * newton.most_bend(region), chart.pinned())) {
    State next = so_far;
    next.theta_frozen.push_back(bend);
    if (!each_start(newton, chart, next, regions, take)) return false;
  }
  return true;
}

}  // namespace

std::vector<State> friction_goal_states(const Design& design, const BendChart& chart, const Goal& goal,
                                        int engaged, const std::function<bool(std::int64_t)>& go_on) {
  std::vector<State> found;
  for (unsigned long set = 0; set < (1UL << static_cast<unsigned>(design.lock_count())); ++set) {
    const LockSet locks(set);
    if (static_cast<int>(locks.count()) != engaged) continue;
    GoalNewton newton(design, chart, goal, locks);
    State seed;
    seed.engaged = locks;
    seed.insertion_mm = std::min(design.carriage().insertion_max_mm, std::max(0.0, goal.point_E.norm()));
    const auto solve_from = [&](const State& start) {
      std::int64_t work = 0;
      for (const Eigen::Vector2d& u :
           ring(kRingShare * design.segment().curvature_max_per_mm, chart.pinned())) {
        State from = start;
        from.u_free = u;
        if (auto state = newton.solve(from)) found.push_back(std::move(*state));
        work += (newton.steps() + 1) * (1 + engaged) * shares::kDirectNewtonWork;
      }
      return go_on(work);
    };
    if (!each_start(newton, chart, seed, engaged, solve_from)) break;
  }
  return found;
}

}  // namespace withy
