// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/heed/heed_elasticity.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_demand.h"
#include "planner/segment/shape.h"
#include "planner/stand/standing.h"

namespace withy {
namespace {

/// What is asked for beyond what a lesson says (mm, and as a share of a limit), so that the next plan does
/// not fail by as much as the next body differs. Chosen.
constexpr double kSpareClearance_mm = 0.1;
constexpr double kLimitSpare = 0.95;
/// Of a tolerance that ideal and elastic body can both keep so much is asked for, and less than this share of
/// the whole is not worth asking for. Chosen.
constexpr double kRoomShare = 0.9;
constexpr double kLeastRoom = 0.05;

/// A plan, followed with either pulls.
struct Look {
  FollowedPlan compensated;
  ElasticVerdict verdict;
  std::int64_t work = 0;
};

ElasticFigures figures_of(const Plan& plan, const ElasticTarget& target, const FollowedPlan& followed) {
  ElasticFigures figures;
  if (const auto tip_E = followed_tip_E(plan, followed)) figures.miss_mm = target.miss_mm(*tip_E);
  figures.clearance_mm = followed.clearance_mm;
  for (const FollowedAction& action : followed.actions) {
    figures.slide_error_mm = std::max(figures.slide_error_mm, action.slide_error_mm);
    figures.jump_mm = std::max(figures.jump_mm, action.jump_mm);
  }
  return figures;
}

ElasticDemand demand_of(const SearchProblem& problem) {
  const Goal& goal = problem.goal;
  return {{goal.point_E, goal.direction_E, goal.direction_tolerance_rad, goal.tolerance_mm},
          problem.required_clearance_mm};
}

std::vector<ElasticEngagement> engagements_of(const Design& design, const Plan& plan,
                                              const FollowedPlan& ideal, const FollowedPlan& compensated) {
  std::vector<ElasticEngagement> list;
  for (std::size_t k = 0; k < plan.actions.size(); ++k) {
    if (plan.actions[k].kind != ActionKind::lock) continue;
    ElasticEngagement engagement;
    engagement.action = static_cast<int>(k);
    engagement.lock = plan.actions[k].lock;
    engagement.reach_mm = engage_reach_mm(design, plan.actions[k]);
    const auto take = [&](const FollowedPlan& followed, double& most_mm, Eigen::VectorXd& off_mm) {
      if (k >= followed.actions.size() || followed.actions[k].slide_off_mm.size() == 0) return;
      most_mm = followed.actions[k].slide_error_mm;
      off_mm = followed.actions[k].slide_off_mm;
    };
    take(ideal, engagement.ideal_pulls_mm, engagement.ideal_pulls_off_mm);
    take(compensated, engagement.compensated_pulls_mm, engagement.compensated_pulls_off_mm);
    list.push_back(std::move(engagement));
  }
  return list;
}

/// Where the effort ends before the look does, the verdict says so.
Look look_at(const SearchProblem& problem, const Plan& plan, const Effort& effort) {
  const ElasticDemand demand = demand_of(problem);
  Look look;
  Effort left = effort;
  FollowSettings settings = script_settings();
  settings.effort = &left;
  const auto took = [&](std::int64_t work) {
    look.work += work;
    left = effort.part(effort.work() - look.work);
  };
  const Compensation made = compensate(problem.design, plan, demand.target, settings);
  took(made.work);
  settings.distance = problem.distance.get();
  settings.wants_stability = true;
  look.compensated.fault = made.fault;
  if (!made.fault) look.compensated = follow_plan(problem.design, plan, made.corrections, settings);
  took(look.compensated.work);
  const FollowedPlan ideal = follow_plan(problem.design, plan, {}, settings);
  took(ideal.work);
  look.verdict.step_mm = settings.step_mm;
  look.verdict.ideal_pulls = figures_of(plan, demand.target, ideal);
  look.verdict.compensated_pulls = figures_of(plan, demand.target, look.compensated);
  if (!made.fault) look.verdict.corrections = made.corrections;
  look.verdict.engagements = engagements_of(problem.design, plan, ideal, look.compensated);
  look.verdict.to_the_end = look.compensated.fault != ElasticFault::cut_short;
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
    const bool turned = learn_direction(plan, look.compensated);
    const bool less = learn_limits(look.compensated);
    return nearer || moved || turned || less;
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
    if (miss.norm() <= goal.tolerance_mm) return false;
    const Eigen::Vector3d away = miss.normalized();
    const double drift = miss.norm() - (planned_tip_E(plan).translation() - goal.point_E).dot(away);
    const auto room = room_against(drift, goal.tolerance_mm, asked_.goal.tolerance_mm);
    if (!room) return false;
    asked_.goal.point_E = goal.point_E - 0.5 * drift * away;
    asked_.goal.tolerance_mm = *room;
    return true;
  }

  bool learn_direction(const Plan& plan, const FollowedPlan& followed) {
    const Goal& goal = problem_.goal;
    if (!goal.direction_E) return false;
    const Eigen::Vector3d axis = *goal.direction_E;
    const Eigen::Vector3d direction = followed_tip_E(plan, followed)->linear().col(2);
    const double error = std::atan2(direction.cross(axis).norm(), direction.dot(axis));
    if (error <= goal.direction_tolerance_rad) return false;
    const Eigen::Vector3d across = direction - direction.dot(axis) * axis;
    if (across.norm() <= 0.0) return false;  // against the axis: to no side of it
    const Eigen::Vector3d away = across.normalized();
    const Eigen::Vector3d planned = planned_tip_E(plan).linear().col(2);
    const double drift = error - std::atan2(planned.dot(away), planned.dot(axis));
    const auto room = room_against(drift, goal.direction_tolerance_rad, asked_.goal.direction_tolerance_rad);
    if (!room) return false;
    asked_.goal.direction_E = std::cos(0.5 * drift) * axis - std::sin(0.5 * drift) * away;
    asked_.goal.direction_tolerance_rad = *room;
    return true;
  }

  Eigen::Isometry3d planned_tip_E(const Plan& plan) const {
    return Shape(problem_.design, plan.states[static_cast<std::size_t>(plan.reached_state)]).tip_E();
  }

  /// What is left of a tolerance about the point half the drift before its middle, where ideal and elastic
  /// body both keep it; nothing where that is next to none, or hardly less than what was asked of the last
  /// plan.
  static std::optional<double> room_against(double drift, double tolerance, double asked) {
    const double room = kRoomShare * (tolerance - 0.5 * std::abs(drift));
    if (room < kLeastRoom * tolerance || room > asked - kLeastRoom * tolerance) return std::nullopt;
    return room;
  }

  bool learn_limits(const FollowedPlan& followed) {
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

  const SearchProblem& problem_;
  SearchProblem asked_;
};

std::string clearance_phrase(double clearance_mm) {
  return std::isfinite(clearance_mm) ? fmt::format(" and keeps {:.2f} mm from the wall", clearance_mm)
                                     : std::string();
}

/// What the elastic body does with the ideal segment's pulls.
std::string ideal_pulls_phrase(const Design& design, const ElasticVerdict& verdict, bool carried) {
  const ElasticFigures& figures = verdict.ideal_pulls;
  const std::string pulls = carried ? "the ideal pulls that the scripts carry" : "the ideal pulls";
  if (!std::isfinite(figures.miss_mm))
    return fmt::format("; with {} it was not followed to the target", pulls);
  std::vector<std::string> does = {
      fmt::format("{} {:.2f} mm off the target", carried ? "ends" : "would end", figures.miss_mm)};
  const double clearance = figures.clearance_mm;
  if (clearance < 0.0)
    does.push_back(fmt::format("{} the wall ({:.2f} mm)", carried ? "touches" : "touch", clearance));
  else if (std::isfinite(clearance))
    does.push_back(fmt::format("{} {:.2f} mm from the wall", carried ? "keeps" : "keep", clearance));
  if (std::string missed = not_engaged_with_ideal_pulls(design, verdict); carried && !missed.empty())
    does.push_back(std::move(missed));
  return fmt::format("; with {} it {}", pulls, fmt::join(does, " and "));
}

void say(Answer& answer, const Design& design, const ElasticVerdict& verdict, bool ideal_asked) {
  if (verdict.fails) {
    answer.why += fmt::format("; but the elastic body, with compensated pulls, {}", *verdict.fails);
  } else {
    answer.why += fmt::format(
        "; the elastic body, with compensated pulls, comes within {:.2f} mm of the target{} (looked at every "
        "{:g} "
        "mm, not proved)",
        verdict.compensated_pulls.miss_mm, clearance_phrase(verdict.compensated_pulls.clearance_mm),
        verdict.step_mm);
  }
  answer.why += ideal_pulls_phrase(design, verdict, !verdict.compensates_scripts(ideal_asked));
  answer.elastic = verdict;
}

/// The plan's two figures with the slides of the pulls that the scripts carry.
void count_slides(Plan& plan, const ElasticVerdict& verdict, const Stander& stander, bool ideal_asked) {
  const SlidesOf pulls =
      verdict.compensates_scripts(ideal_asked) ? SlidesOf::compensated_pulls : SlidesOf::ideal_pulls;
  if (const auto slides = slides_of(verdict, pulls))
    plan.standing = stander.judge(plan, *slides, pulls);
  else
    plan.standing->limited_by += " (of the ideal segment: the elastic body was not followed to every lock)";
}

/// Plans, looks and learns until a plan holds both ways.
class Heeding {
 public:
  Heeding(const SearchProblem& problem, const SolveSettings& settings, bool ideal_asked)
      : problem_(problem),
        settings_(settings),
        again_(settings),
        ideal_asked_(ideal_asked),
        lessons_(problem) {
    again_.effort = settings.effort.part(shares::kHeedSearchWork);
    again_.prefer = Preference::clearance;
    again_.errors.reset();  // the plan that is given is stood by benches, not each that is looked at
    again_.stander = nullptr;
    again_.certificate = nullptr;
    again_.explain = false;
    again_.remedies = false;
  }

  /// The answer, which has a plan, with what its elastic body does; with another plan where that holds.
  Answer heeded(Answer answer) {
    Look look = looked(*answer.plan);
    ElasticVerdict first = look.verdict;
    std::optional<Plan> plan = answer.plan;
    while (look.verdict.fails && looks_ < shares::kHeedPlans && !spent() && lessons_.learn(*plan, look)) {
      plan = solve(lessons_.asked(), again_).plan;
      if (!plan) break;
      look = looked(*plan);
      if (look.verdict.holds()) replace_plan(answer, problem_, *plan, settings_);
    }
    ElasticVerdict& verdict = look.verdict.holds() ? look.verdict : first;
    verdict.plans = looks_;
    if (verdict.to_the_end) {
      std::erase(answer.not_checked, kElasticChecked);
      answer.checked.emplace_back(kElasticChecked);
    }
    say(answer, problem_.design, verdict, ideal_asked_);
    if (answer.plan->standing && settings_.stander != nullptr && *settings_.stander)
      count_slides(*answer.plan, verdict, **settings_.stander, ideal_asked_);
    return answer;
  }

 private:
  bool spent() const { return settings_.effort.cut_short() || work_ >= shares::kHeedLooksWork; }

  Look looked(const Plan& plan) {
    settings_.progress("following the plan with the elastic body");
    Look look = look_at(problem_, plan, settings_.effort.part(shares::kHeedLooksWork - work_));
    work_ += look.work;
    ++looks_;
    return look;
  }

  const SearchProblem& problem_;
  const SolveSettings& settings_;
  SolveSettings again_;
  bool ideal_asked_;
  Lessons lessons_;
  std::int64_t work_ = 0;
  int looks_ = 0;
};

}  // namespace

Answer solve_heeding_elasticity(const SearchProblem& problem, const SolveSettings& settings,
                                bool ideal_asked) {
  SolveSettings with_stander = settings;
  std::shared_ptr<const Stander> stander;
  with_stander.stander = &stander;
  Answer answer = solve(problem, with_stander);
  if (!answer.plan || !problem.design.elastic() || !problem.design.tendons()) return answer;
  return Heeding(problem, with_stander, ideal_asked).heeded(std::move(answer));
}

std::optional<ElasticSlides> slides_of(const ElasticVerdict& verdict, SlidesOf pulls) {
  ElasticSlides slides;
  if (pulls == SlidesOf::none) return slides;
  for (const ElasticEngagement& e : verdict.engagements) {
    const Eigen::VectorXd& off =
        pulls == SlidesOf::ideal_pulls ? e.ideal_pulls_off_mm : e.compensated_pulls_off_mm;
    if (off.size() == 0) return std::nullopt;
    slides[e.action] = off;
  }
  return slides;
}

std::string not_engaged_with_ideal_pulls(const Design& design, const ElasticVerdict& verdict) {
  if (!design.latch() || design.latch()->notch_pitch_mm <= 0.0) return {};
  std::string locks;
  for (const ElasticEngagement& e : verdict.engagements) {
    if (!std::isfinite(e.ideal_pulls_mm) || e.ideal_pulls_mm <= e.reach_mm) continue;
    locks +=
        fmt::format("{}lock {} at action {} ({:.3f} mm off its notches, window and hunt reach {:.3f} mm)",
                    locks.empty() ? "" : ", ", e.lock + 1, e.action + 1, e.ideal_pulls_mm, e.reach_mm);
  }
  if (locks.empty()) return {};
  return "does not engage " + locks;
}

std::string engagement_lines(const ElasticVerdict& verdict) {
  const auto off = [](double slide_mm) {
    return std::isfinite(slide_mm) ? fmt::format("{:.3f} mm", slide_mm) : std::string("not looked at");
  };
  std::string lines;
  for (const ElasticEngagement& e : verdict.engagements)
    lines += fmt::format(
        "elastic slide off the notches of lock {} (action {}): {} with compensated pulls, {} with ideal "
        "ones; window and hunt reach {:.3f} mm\n",
        e.lock + 1, e.action + 1, off(e.compensated_pulls_mm), off(e.ideal_pulls_mm), e.reach_mm);
  return lines;
}

}  // namespace withy
