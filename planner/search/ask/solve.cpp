// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/solve.h"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <limits>
#include <memory>

#include <fmt/format.h>

#include "planner/search/ask/certify.h"
#include "planner/search/ask/nearest_approach.h"
#include "planner/search/ask/reasons.h"
#include "planner/search/ompl/ompl_planners.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"

namespace withy {

namespace {

// How much work (RouteSearch::work) each look for a better plan may take, beside what the first plan took,
// and how many there are. Counted in work and not in time, so that the same question always gets the same
// plan.
constexpr std::int64_t kWidenFloor = 600000;
constexpr std::int64_t kWidenCeiling = 1600000;
constexpr int kWidenLooks = 6;
// Clearance steps (mm) of the looks for a wider plan: first and least.
constexpr double kWidenFirst_mm = 0.4;
constexpr double kWidenLeast_mm = 0.05;
// The work of each look for where an unreachable target is approached nearest.
constexpr std::int64_t kApproachWork = 500000;

class Clock {
 public:
  double seconds() const {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count();
  }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

/// The route that the search found, tidied, as a plan: or what stands against it.
tl::expected<Plan, PlanRefusal> plan_of(const RouteSearch& search) {
  return make_plan(search.judge(), tidy(search.judge(), search.route()));
}

int switches_of(const Plan& plan) {
  return static_cast<int>(std::count_if(plan.actions.begin(), plan.actions.end(), [](const PlannedAction& a) {
    return a.lock >= 0 && a.leg == Leg::in;
  }));
}

/// The plan that a search for a better one came to; nothing where it found none, or none that holds.
std::optional<Plan> better_plan(const SearchProblem& problem, const RouteSearchSettings& settings,
                                SearchOutcome& outcome) {
  RouteSearch search(problem, settings);
  outcome = search.run();
  if (outcome != SearchOutcome::found) return std::nullopt;
  auto plan = plan_of(search);
  return plan ? std::optional<Plan>(std::move(*plan)) : std::nullopt;
}

/// Replaces the plan by one with fewer switches, as long as one is found in reasonable work: the first way
/// found need not have the fewest.
/// Where a certificate is asked for it gets that of a search that proved that there is none with fewer: a
/// claim for `withy recheck` to judge, which no sentence makes.
void take_fewer_switches(const SearchProblem& problem, Plan& plan, RouteSearchSettings settings,
                         std::optional<recheck::Certificate>* certificate) {
  while (switches_of(plan) > 0) {
    settings.most_switches = switches_of(plan) - 1;
    RouteSearch search(problem, settings);
    const SearchOutcome outcome = search.run();
    if (outcome == SearchOutcome::proved_none && certificate != nullptr)
      *certificate = certify(problem, search, settings);
    if (outcome != SearchOutcome::found) return;
    auto better = plan_of(search);
    if (!better) return;
    plan = std::move(*better);
  }
}

/// A plan with a wider narrowest passage and no more switches, when one is found in reasonable work.
Plan widened(const SearchProblem& problem, Plan plan, RouteSearchSettings settings) {
  settings.most_switches = switches_of(plan);
  double step = kWidenFirst_mm;
  double none_from = std::numeric_limits<double>::infinity();  // no look need go there
  for (int look = 0; look < kWidenLooks && step >= kWidenLeast_mm && std::isfinite(plan.clearance_mm);
       ++look) {
    step = std::min(step, 0.5 * (none_from - plan.clearance_mm));
    SearchProblem wider = problem;
    wider.required_clearance_mm = plan.clearance_mm + step;
    SearchOutcome outcome;
    auto better = better_plan(wider, settings, outcome);
    if (outcome == SearchOutcome::proved_none) none_from = wider.required_clearance_mm;
    if (better && better->clearance_mm > plan.clearance_mm) {
      plan = std::move(*better);
      step *= 2.0;
    } else {
      step *= 0.5;
    }
  }
  return plan;
}

std::string plural(int count, const char* word) {
  return fmt::format("{} {}{}", count, word, count == 1 ? "" : "s");
}

int locks_used(const Plan& plan) {
  LockSet used;
  for (const State& state : plan.states) used |= state.engaged;
  return static_cast<int>(used.count());
}

std::string reached_sentence(const SearchProblem& problem, const Plan& plan) {
  const State& end = plan.states[static_cast<std::size_t>(plan.reached_state)];
  const double error = problem.goal.distance(Shape(problem.design, end).tip_E());
  const auto in = std::count_if(plan.actions.begin(), plan.actions.end(),
                                [](const PlannedAction& a) { return a.leg == Leg::in; });
  const std::string clearance = std::isfinite(plan.clearance_mm)
                                    ? fmt::format("clearance at least {:.2f} mm", plan.clearance_mm)
                                    : "never inside the channel";
  return fmt::format("the tip comes within {:.2f} mm of the target with {}, {} in and as many back out, {}",
                     error, plural(locks_used(plan), "lock"), plural(static_cast<int>(in), "action"),
                     clearance);
}

}  // namespace

void list_checked(const SearchProblem& problem, std::vector<std::string>& checked,
                  std::vector<std::string>& not_checked) {
  const Design& design = problem.design;
  const bool locks = design.lock_count() > 0;
  (problem.heeded.clearance ? checked : not_checked).emplace_back("clearance");
  // Without locks there is nothing for latch and field to hold or to switch.
  (problem.heeded.latch && (design.latch() || !locks) ? checked : not_checked).emplace_back("latch");
  (problem.heeded.tendons && design.tendons() ? checked : not_checked).emplace_back("tendons");
  (problem.heeded.field && (design.field() || !locks) ? checked : not_checked).emplace_back("field");
}

namespace {

/// After a proof: what stands in the way, and where it comes to a stop.
void explain_unreachable(Answer& answer, const SearchProblem& problem, const SolveSettings& settings,
                         const RouteSearch& search) {
  answer.why =
      fmt::format("no sequence of actions brings the tip within {:.4g} mm of the target ({} cells proved)",
                  problem.goal.tolerance_mm, search.checks());
  if (!settings.explain) return;
  settings.progress("looking for what stands in the way");
  ReasonSettings reason_settings;
  reason_settings.stop = settings.interrupted;
  reason_settings.most_work_in_all = std::min(reason_settings.most_work_in_all, settings.most_work);
  reason_settings.with_locks = settings.with_locks;
  const auto reason = find_reason(problem, reason_settings);
  answer.why += "; " + (reason ? reason->sentence
                               : "no single limit was found whose relaxation alone would change that");
  if (reason && reason->approach) answer.approach = reason->approach;
  if (!answer.approach)
    answer.approach =
        approach_with_tolerance(problem, std::min(kApproachWork, settings.most_work), settings.interrupted);
}

/// Tendons in one plane across both axes of the section: a case the search can neither prove nor plan.
bool in_a_slanted_plane(const SearchProblem& problem) {
  if (!problem.heeded.tendons || !problem.design.tendons()) return false;
  const bool planar = TendonStatics(*problem.design.tendons()).plane().has_value();
  return planar && BendChart(problem.design, true).pinned() < 0;
}

std::string undecided_sentence(const SearchProblem& problem, const SolveSettings& settings,
                               const Coverage& coverage, const std::optional<Approach>& approach) {
  const std::string spent = std::isfinite(settings.budget_seconds)
                                ? fmt::format("after {:.0f} s", settings.budget_seconds)
                                : "within the work allowed";
  std::string why =
      fmt::format("{} neither a plan nor a proof: {} cells are still open, the finest {:.3f} mm", spent,
                  coverage.cells_left, coverage.finest_cell_mm);
  if (approach)
    why += fmt::format("; the nearest approach tried leaves {:.2f} mm to the target, and then {}",
                       approach->distance_mm, approach->blocked_by);
  if (in_a_slanted_plane(problem))
    why +=
        "; the tendons bend the segment in one plane, which the search can follow only along the section's x "
        "or y: turn entry.x_axis (and with it all angles of the section) so that it is";
  return why;
}

void fill_plan(Answer& answer, const SearchProblem& problem, Plan plan) {
  answer.verdict = Verdict::reached;
  answer.why = reached_sentence(problem, plan);
  answer.plan = std::move(plan);
}

/// A way was found, and is none when looked at closely: no plan, and no proof either.
void fill_refused(Answer& answer, const PlanRefusal& refusal) {
  answer.verdict = Verdict::undecided;
  answer.why = fmt::format(
      "neither a plan nor a proof: the way that was found does not hold when verified: {}", refusal.sentence);
}

/// A stock planner's answer: a plan or nothing; never a proof.
void solve_by_stock(Answer& answer, const SearchProblem& problem, const SolveSettings& settings) {
  const OmplProblem ompl(problem);
  const auto route = route_by_stock_planner(settings.planner, ompl, settings.budget_seconds, settings.seed);
  answer.coverage = Coverage{};
  if (!route) {
    answer.verdict = Verdict::undecided;
    answer.why = fmt::format("the planner {} found no plan in {:.0f} s, which proves nothing",
                             settings.planner, settings.budget_seconds);
    return;
  }
  auto plan = make_plan(ompl.judge(), tidy(ompl.judge(), *route));
  if (!plan) return fill_refused(answer, plan.error());
  answer.coverage.reset();
  fill_plan(answer, problem, std::move(*plan));
}

/// The plan, or a better one that is found in reasonable work.
Plan improved(const SearchProblem& problem, Plan plan, const SolveSettings& settings,
              const RouteSearch& first) {
  if (!settings.widen) return plan;
  settings.progress("looking for a better way");
  RouteSearchSettings search_settings;
  search_settings.most_work =
      std::min(std::clamp(first.work(), kWidenFloor, kWidenCeiling), settings.most_work);
  // Only work counts: a plan is at hand, and the clock must not choose between plans.
  search_settings.stop = settings.interrupted;
  take_fewer_switches(problem, plan, search_settings, settings.certificate);
  return widened(problem, std::move(plan), search_settings);
}

void solve_completely(Answer& answer, const SearchProblem& problem, const SolveSettings& settings,
                      const Clock& clock) {
  RouteSearchSettings search_settings;
  search_settings.most_work = settings.most_work;
  search_settings.stop = [&] { return settings.interrupted() || clock.seconds() > settings.budget_seconds; };
  RouteSearch search(problem, search_settings);
  const SearchOutcome outcome = search.run();
  if (outcome == SearchOutcome::found) {
    auto plan = plan_of(search);
    if (plan) return fill_plan(answer, problem, improved(problem, std::move(*plan), settings, search));
    answer.coverage = search.coverage();
    return fill_refused(answer, plan.error());
  }
  answer.coverage = search.coverage();
  answer.approach = search.best_approach();
  if (outcome == SearchOutcome::proved_none) {
    answer.verdict = Verdict::unreachable;
    if (settings.certificate != nullptr) *settings.certificate = certify(problem, search, search_settings);
    explain_unreachable(answer, problem, settings, search);
  } else {
    answer.verdict = Verdict::undecided;
    answer.why = undecided_sentence(problem, settings, *answer.coverage, answer.approach);
  }
}

}  // namespace

Answer solve(const SearchProblem& problem, const SolveSettings& settings) {
  const Clock clock;
  Answer answer;
  answer.locks = problem.design.lock_count();
  answer.seed = settings.seed;
  list_checked(problem, answer.checked, answer.not_checked);
  settings.progress("searching");
  if (settings.planner.empty())
    solve_completely(answer, problem, settings, clock);
  else
    solve_by_stock(answer, problem, settings);
  answer.seconds = clock.seconds();
  return answer;
}

}  // namespace withy
