// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/heed_elasticity.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_demand.h"

namespace withy {
namespace {

/// What is asked for beyond what a lesson says (mm, and as a share of a limit), so that the next plan does
/// not fail by as much as the next body differs. Chosen.
constexpr double kSpareClearance_mm = 0.1;
constexpr double kLimitSpare = 0.95;
/// The most of the target's tolerance that its point moves by.
constexpr double kMostOfTolerance = 0.5;

/// A plan, followed with either pulls.
struct Look {
  FollowedPlan compensated;
  ElasticVerdict verdict;
};

ElasticFigures figures_of(const Plan& plan, const ElasticTarget& target, const FollowedPlan& followed) {
  ElasticFigures figures;
  if (const auto tip_E = followed_tip_E(plan, followed))
    figures.miss_mm = (tip_E->translation() - target.point_E).norm();
  figures.clearance_mm = followed.clearance_mm;
  for (const FollowedAction& action : followed.actions) {
    figures.slide_error_mm = std::max(figures.slide_error_mm, action.slide_error_mm);
    figures.jump_mm = std::max(figures.jump_mm, action.jump_mm);
  }
  return figures;
}

ElasticDemand demand_of(const SearchProblem& problem) {
  const Goal& goal = problem.goal;
  return {{goal.point_E, goal.direction_E, goal.direction_tolerance_rad},
          goal.tolerance_mm,
          problem.required_clearance_mm};
}

Look look_at(const SearchProblem& problem, const Plan& plan, const Effort& effort) {
  const ElasticDemand demand = demand_of(problem);
  FollowSettings settings;
  settings.step_mm = kHeedStep_mm;
  settings.elements = kCoarseElements;
  settings.effort = &effort;
  const Compensation made = compensate(problem.design, plan, demand.target, settings);
  settings.distance = problem.distance.get();
  Look look;
  look.verdict.step_mm = kHeedStep_mm;
  look.verdict.ideal_pulls = figures_of(plan, demand.target, follow_plan(problem.design, plan, {}, settings));
  if (!made.fault)
    look.compensated = follow_plan(problem.design, plan, made.corrections, settings);
  else
    look.compensated.fault = made.fault;
  look.verdict.compensated_pulls = figures_of(plan, demand.target, look.compensated);
  look.verdict.fails = what_fails(problem.design, plan, demand, look.compensated);
  return look;
}

/// The question as the next search is asked it.
class Lessons {
 public:
  explicit Lessons(const SearchProblem& problem) : problem_(problem), asked_(problem) {}

  const SearchProblem& asked() const { return asked_; }

  /// False where the look teaches nothing.
  bool learn(const Plan& plan, const Look& look) {
    if (look.compensated.fault) return false;
    const bool nearer = learn_clearance(plan, look.compensated);
    const bool moved = learn_target(plan, look.compensated);
    const bool less = learn_limits(look.compensated);
    return nearer || moved || less;
  }

 private:
  bool learn_clearance(const Plan& plan, const FollowedPlan& followed) {
    if (followed.clearance_mm >= problem_.required_clearance_mm) return false;
    const double lost = plan.clearance_mm - followed.clearance_mm;
    asked_.required_clearance_mm = std::max(asked_.required_clearance_mm + kSpareClearance_mm,
                                            problem_.required_clearance_mm + lost + kSpareClearance_mm);
    return true;
  }

  bool learn_target(const Plan& plan, const FollowedPlan& followed) {
    const Goal& goal = problem_.goal;
    const Eigen::Vector3d miss = followed_tip_E(plan, followed)->translation() - goal.point_E;
    if (miss.norm() <= goal.tolerance_mm || asked_.goal.tolerance_mm < goal.tolerance_mm) return false;
    const double shift = std::min(miss.norm(), kMostOfTolerance * goal.tolerance_mm);
    asked_.goal.point_E = goal.point_E - shift * miss.normalized();
    asked_.goal.tolerance_mm = goal.tolerance_mm - shift;
    return true;
  }

  bool learn_limits(const FollowedPlan& followed) {
    const LimitShares shares = limit_shares(problem_.design, followed);
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

  const SearchProblem& problem_;
  SearchProblem asked_;
};

std::string clearance_phrase(double clearance_mm) {
  return std::isfinite(clearance_mm) ? fmt::format(" and keeps {:.2f} mm from the wall", clearance_mm)
                                     : std::string();
}

void say(Answer& answer, const ElasticVerdict& verdict) {
  if (verdict.fails)
    answer.why += fmt::format("; but the elastic body, with compensated pulls, {}", *verdict.fails);
  else
    answer.why += fmt::format(
        "; the elastic body, with compensated pulls, comes within {:.2f} mm of the target{} (looked at every "
        "{:g} "
        "mm, not proved)",
        verdict.compensated_pulls.miss_mm, clearance_phrase(verdict.compensated_pulls.clearance_mm),
        verdict.step_mm);
  answer.elastic = verdict;
}

}  // namespace

Answer solve_heeding_elasticity(const SearchProblem& problem, const SolveSettings& settings) {
  Answer first = solve(problem, settings);
  if (!first.plan || !problem.design.elastic() || !problem.design.tendons()) return first;
  settings.progress("following the plan with the elastic body");
  Look look = look_at(problem, *first.plan, settings.effort);
  const ElasticVerdict first_verdict = look.verdict;
  Lessons lessons(problem);
  SolveSettings again = settings;
  again.certificate = nullptr;
  again.explain = false;
  again.remedies = false;
  std::optional<Plan> plan = first.plan;
  for (int plans = 2; look.verdict.fails && plans <= kMostPlans && !settings.effort.cut_short(); ++plans) {
    if (!lessons.learn(*plan, look)) break;
    plan = solve(lessons.asked(), again).plan;
    if (!plan) break;
    settings.progress("following the plan with the elastic body");
    look = look_at(problem, *plan, settings.effort);
    look.verdict.plans = plans;
    if (look.verdict.holds()) replace_plan(first, problem, std::move(*plan));
    if (look.verdict.holds()) break;
  }
  say(first, look.verdict.holds() ? look.verdict : first_verdict);
  return first;
}

}  // namespace withy
