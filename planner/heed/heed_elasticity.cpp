// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/heed/heed_elasticity.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_demand.h"
#include "planner/heed/lessons.h"
#include "planner/stand/standing.h"

namespace withy {
namespace {

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
        hardware_(problem.design),
        judge_(problem, hardware_),
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
    while (look.verdict.fails && !look.compensated.fault && looks_ < shares::kHeedPlans && !spent()) {
      plan = another(*plan, look.compensated);
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

  /// The route at hand aimed anew, or what a search comes to.
  std::optional<Plan> another(const Plan& plan, const FollowedPlan& followed) {
    taught_ |= lessons_.learn(plan, followed);
    if (line_)
      line_->take(plan, followed);
    else
      line_.emplace(problem_, plan, followed);
    if (const auto point_E = line_->next_E()) {
      Goal goal = lessons_.asked().goal;
      goal.point_E = *point_E;
      if (auto nearer = aimed_anew(judge_, plan, goal)) return nearer;
    }
    line_.reset();
    if (!std::exchange(taught_, false)) return std::nullopt;
    return solve(lessons_.asked(), again_).plan;
  }

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
  Hardware hardware_;
  StepJudge judge_;
  Lessons lessons_;
  bool taught_ = false;          // since the last search
  std::optional<AimLine> line_;  // of the route at hand, once it was looked at
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
