// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/heed/lessons.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "planner/elastic/elastic_demand.h"
#include "planner/search/route/make_plan.h"
#include "planner/segment/shape.h"
#include "planner/stand/improve.h"

namespace withy {
namespace {

/// What is asked for beyond what a lesson says (mm, and as a share of a limit), so that the next plan does
/// not fail by as much as the next body differs. Chosen.
constexpr double kSpareClearance_mm = 0.1;
constexpr double kLimitSpare = 0.95;
/// Of a tolerance that ideal and elastic body can both keep so much is asked for, and less than this share of
/// the whole is not worth asking for, moving for or aiming for. Chosen.
constexpr double kRoomShare = 0.9;
constexpr double kLeastRoom = 0.05;
/// Parts of the way to the middle of the goal that are tried.
constexpr std::array kAimParts = {1.0, 0.5};

/// What is left of a tolerance about the place half the drift before its middle, where ideal and elastic
/// body both keep it; nothing where that is next to none.
std::optional<double> room_against(double drift, double tolerance) {
  const double room = kRoomShare * (tolerance - 0.5 * std::abs(drift));
  return room >= kLeastRoom * tolerance ? std::optional(room) : std::nullopt;
}

/// `route` led on to `end`: by its last motion, and by one more.
std::array<Route, 2> led_on(const Route& route, const State& end) {
  Route by_one_more = route;
  by_one_more.steps.push_back({-1, false, end});
  Route by_the_last = route;
  if (!route.steps.empty() && route.steps.back().lock < 0)
    by_the_last.steps.back().to = end;
  else
    by_the_last = by_one_more;
  return {by_the_last, by_one_more};
}

/// Places along the line that are tried, to either side.
constexpr int kAimPlaces = 50;

Eigen::Isometry3d planned_tip_E(const SearchProblem& problem, const Plan& plan) {
  return Shape(problem.design, plan.states[static_cast<std::size_t>(plan.reached_state)]).tip_E();
}

}  // namespace

bool Lessons::learn(const Plan& plan, const FollowedPlan& followed) {
  const bool nearer = learn_clearance(plan, followed);
  const bool less = learn_limits(followed);
  const bool turned = learn_direction(plan, followed);
  const bool moved = learn_target(plan, followed);
  return nearer || less || turned || moved;
}

bool Lessons::learn_clearance(const Plan& plan, const FollowedPlan& followed) {
  if (followed.clearance_mm >= problem_.required_clearance_mm) return false;
  const double lost = plan.clearance_mm - followed.clearance_mm;
  asked_.required_clearance_mm = std::max(asked_.required_clearance_mm + kSpareClearance_mm,
                                          problem_.required_clearance_mm + lost + kSpareClearance_mm);
  return true;
}

/// Does it say something new of a target that is missed?
bool Lessons::learn_target(const Plan& plan, const FollowedPlan& followed) {
  const Goal& goal = problem_.goal;
  const Eigen::Vector3d miss = followed_tip_E(plan, followed)->translation() - goal.point_E;
  if (goal.region || miss.norm() <= kLeastRoom * goal.tolerance_mm) return false;
  const Eigen::Vector3d away = miss.normalized();
  const double drift = miss.norm() - (planned_tip_E(problem_, plan).translation() - goal.point_E).dot(away);
  const auto room = room_against(drift, goal.tolerance_mm);
  if (!room) return false;
  const Eigen::Vector3d point_E = goal.point_E - 0.5 * drift * away;
  const double least = kLeastRoom * goal.tolerance_mm;
  const bool other =
      (point_E - asked_.goal.point_E).norm() > least || *room < asked_.goal.tolerance_mm - least;
  asked_.goal.point_E = point_E;
  asked_.goal.tolerance_mm = *room;
  return other && miss.norm() > goal.tolerance_mm;
}

bool Lessons::learn_direction(const Plan& plan, const FollowedPlan& followed) {
  const Goal& goal = problem_.goal;
  if (!goal.direction_E) return false;
  const Eigen::Vector3d axis = *goal.direction_E;
  const Eigen::Vector3d direction = followed_tip_E(plan, followed)->linear().col(2);
  const double error = std::atan2(direction.cross(axis).norm(), direction.dot(axis));
  if (error <= goal.direction_tolerance_rad) return false;
  const Eigen::Vector3d across = direction - direction.dot(axis) * axis;
  if (across.norm() <= 0.0) return false;  // against the axis: to no side of it
  const Eigen::Vector3d away = across.normalized();
  const Eigen::Vector3d planned = planned_tip_E(problem_, plan).linear().col(2);
  const double drift = error - std::atan2(planned.dot(away), planned.dot(axis));
  const auto room = room_against(drift, goal.direction_tolerance_rad);
  if (!room) return false;
  const double least = kLeastRoom * goal.direction_tolerance_rad;
  const Eigen::Vector3d turned = std::cos(0.5 * drift) * axis - std::sin(0.5 * drift) * away;
  const bool other = (turned - *asked_.goal.direction_E).norm() > least ||
                     *room < asked_.goal.direction_tolerance_rad - least;
  asked_.goal.direction_E = turned;
  asked_.goal.direction_tolerance_rad = *room;
  return other;
}

bool Lessons::learn_limits(const FollowedPlan& followed) {
  const LimitShares shares = limit_shares(problem_.design, followed.most);
  const double load = std::max(shares.lock_load, shares.compression);
  if (std::max({shares.stroke, shares.tension, load}) <= 1.0) return false;
  DesignParts parts = asked_.design.parts();
  if (shares.stroke > 1.0) parts.tendons->stroke_max_mm *= kLimitSpare / shares.stroke;
  if (shares.tension > 1.0) parts.tendons->tension_max_N *= kLimitSpare / shares.tension;
  if (load > 1.0) parts.lock->hold_moment_Nmm *= kLimitSpare / load;
  auto lowered = Design::make(std::move(parts));
  if (!lowered) return false;
  asked_.design = std::move(*lowered);
  return true;
}

AimLine::AimLine(const SearchProblem& problem, const Plan& plan, const FollowedPlan& followed)
    : problem_(problem) {
  const Goal& goal = problem.goal;
  const Eigen::Vector3d miss = followed_tip_E(plan, followed)->translation() - goal.point_E;
  if (!goal.region && miss.norm() > kLeastRoom * goal.tolerance_mm) away_ = miss.normalized();
  take(plan, followed);
}

void AimLine::take(const Plan& plan, const FollowedPlan& followed) {
  const Goal& goal = problem_.goal;
  const Eigen::Isometry3d tip_E = *followed_tip_E(plan, followed);
  Look look;
  look.shift_mm = (goal.point_E - planned_tip_E(problem_, plan).translation()).dot(away_);
  look.miss_mm = (tip_E.translation() - goal.point_E).dot(away_);
  look.clearance_mm = followed.clearance_mm;
  look.direction_rad = goal.direction_error(tip_E);
  looks_.push_back(look);
}

/// The least share of a tolerance that is spared where the tip is planned there.
double AimLine::spared(double shift_mm) const {
  const Goal& goal = problem_.goal;
  const Look& a = looks_[0];
  const Look& b = looks_[1];
  const double t = (shift_mm - a.shift_mm) / (b.shift_mm - a.shift_mm);
  const auto at = [&](double Look::*figure) { return a.*figure + t * (b.*figure - a.*figure); };
  double least = 1.0 - std::max(std::abs(shift_mm), std::abs(at(&Look::miss_mm))) / goal.tolerance_mm;
  if (std::isfinite(a.clearance_mm) && std::isfinite(b.clearance_mm))
    least = std::min(least, (at(&Look::clearance_mm) - problem_.required_clearance_mm) / goal.tolerance_mm);
  if (goal.direction_E)
    least = std::min(least, 1.0 - at(&Look::direction_rad) / goal.direction_tolerance_rad);
  return least;
}

std::optional<Eigen::Vector3d> AimLine::next_E() const {
  const Goal& goal = problem_.goal;
  const double least = kLeastRoom * goal.tolerance_mm;
  if (away_.isZero() || looks_.size() > 2) return std::nullopt;
  if (looks_.size() == 1) return goal.point_E - 0.5 * (looks_[0].shift_mm + looks_[0].miss_mm) * away_;
  if (std::abs(looks_[1].shift_mm - looks_[0].shift_mm) < least) return std::nullopt;
  double best = 0.0;
  std::optional<Eigen::Vector3d> point_E;
  for (int i = -kAimPlaces; i <= kAimPlaces; ++i) {
    const double shift_mm = goal.tolerance_mm * i / kAimPlaces;
    if (spared(shift_mm) <= best) continue;
    best = spared(shift_mm);
    point_E = goal.point_E - shift_mm * away_;
  }
  return point_E;
}

std::optional<Plan> aimed_anew(const StepJudge& judge, const Plan& plan, const Goal& goal) {
  const SearchProblem& problem = judge.problem();
  if (!problem.vias.empty() || !(problem.start == start_state()) || goal.region) return std::nullopt;
  const Route route = way_in(plan);
  const State from = route.state_before(route.steps.size());
  const auto end = aimed(problem.design, goal, from, problem.design.segment().curvature_max_per_mm);
  if (!end) return std::nullopt;
  const auto tip = [&](const State& state) { return Shape(problem.design, state).tip_E().translation(); };
  if ((tip(*end) - tip(from)).norm() < kLeastRoom * problem.goal.tolerance_mm) return std::nullopt;
  for (const double part : kAimParts)
    for (const Route& led : led_on(route, part < 1.0 ? interpolate(from, *end, part) : *end))
      if (auto made = make_plan(judge, led)) return std::move(*made);
  return std::nullopt;
}

}  // namespace withy
