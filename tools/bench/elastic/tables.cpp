// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/elastic/tables.h"

#include <cmath>
#include <cstdio>

#include <fmt/core.h>

#include "planner/elastic/elastic_report.h"
#include "planner/heed/heed_elasticity.h"
#include "tools/bench/support/machine.h"
#include "tools/bench/support/spread.h"

namespace withy::bench {
namespace {

double largest_slide_error_mm(const FollowedPlan& followed) {
  double most = 0.0;
  for (const FollowedAction& action : followed.actions) most = std::max(most, action.slide_error_mm);
  return most;
}

std::string number(double value, const char* form = "{:.2f}") {
  return std::isfinite(value) ? fmt::format(fmt::runtime(form), value) : std::string("-");
}

/// Milliseconds of processor time for a state of the plan, followed as `withy elastic` does.
double milliseconds_a_state(const SearchProblem& problem, const Plan& plan) {
  const double begin = processor_seconds();
  const FollowedPlan followed = follow_plan(problem.design, plan, {}, {});
  return 1e3 * (processor_seconds() - begin) / std::max(1, followed.steps);
}

void print_effect_row(const PlannedQuestion& question, const Plan& plan) {
  const double begin = processor_seconds();
  const ElasticReport report =
      make_elastic_report({question.prepared.scene, question.problem.design, plan, *question.problem.distance,
                           question.problem.required_clearance_mm})
          .value();
  const double seconds = processor_seconds() - begin;
  const ElasticRun none;
  const ElasticRun& better = report.compensated ? *report.compensated : none;
  fmt::print("{:<13}{:>2}{:>7.2f}{:>7}{:>7}{:>8.2f}{:>7}{:>7}{:>8.3f}{:>7.3f}", question.scene, report.locks,
             report.miss_planned_mm, number(report.ideal.miss_mm),
             number(report.compensated ? better.miss_mm : kInfinity), report.clearance_planned_mm,
             number(report.ideal.followed.clearance_mm), number(better.followed.clearance_mm),
             largest_slide_error_mm(report.ideal.followed), largest_slide_error_mm(better.followed));
  for (const EffectShift& shift : report.effects) fmt::print("{:>7}", number(shift.alone_mm));
  fmt::print("{:>9.4f}{:>8.2f}{:>7.1f}\n", report.halving_error_mm,
             milliseconds_a_state(question.problem, plan), seconds);
  std::fflush(stdout);
}

/// How a plan of the question fares.
std::string fate(const ElasticFigures& pulls) {
  return fmt::format("{:>7}{:>7}", number(pulls.miss_mm), number(pulls.clearance_mm));
}

}  // namespace

bool print_effects(const ElasticQuestions& questions) {
  fmt::print(
      "miss of the target and clearance, mm: planned, elastic with ideal pulls, with compensated ones; "
      "slides "
      "off the notches, ideal and compensated; tip moved by each effect alone: tendon stretch, weight, "
      "backbone stretch, friction, backlash; halving the elements; ms a state; s for the whole report\n"
      "{:<13}{:>2}{:>21}{:>22}{:>15}{:>35}{:>9}{:>8}{:>7}\n",
      "scene", "l", "miss", "clearance", "slides", "effects alone", "halving", "ms", "s");
  return for_each_question(questions, [&](const PlannedQuestion& question) {
    if (const auto plan = asked_plan(questions, question)) print_effect_row(question, *plan);
  });
}

bool print_heeding(const ElasticQuestions& questions) {
  fmt::print(
      "miss and clearance, mm, of the plan that is given, with ideal and with compensated pulls; plans "
      "looked "
      "at; s of processor time without and with heeding; what fails\n"
      "{:<13}{:>2}{:>14}{:>14}{:>6}{:>8}{:>8}  {}\n",
      "scene", "l", "ideal pulls", "compensated", "plans", "s", "s heeded", "fails");
  std::vector<double> before, after;
  const bool read = for_each_question(questions, [&](const PlannedQuestion& question) {
    const SolveSettings settings = asked_settings(questions, question);
    double begin = processor_seconds();
    const Answer plain = solve(question.problem, settings);
    const double without = processor_seconds() - begin;
    if (!plain.plan) return;
    begin = processor_seconds();
    const Answer heeded = solve_heeding_elasticity(question.problem, settings);
    const double with = processor_seconds() - begin;
    before.push_back(without);
    after.push_back(with - without);
    const ElasticVerdict& verdict = *heeded.elastic;
    fmt::print("{:<13}{:>2}{}{}{:>6}{:>8.2f}{:>8.2f}  {}\n", question.scene, plain.locks,
               fate(verdict.ideal_pulls), fate(verdict.compensated_pulls), verdict.plans, without, with,
               verdict.fails.value_or(""));
    std::fflush(stdout);
  });
  const Spread plain = spread_of(before), more = spread_of(after);
  fmt::print(
      "{} plans: {:.2f} s in the median; heeding adds {:.2f} in the median, {:.2f} to {:.2f} from the "
      "tenth to the ninetieth percentile\n",
      plain.samples, plain.median, more.median, more.p10, more.p90);
  return read;
}

}  // namespace withy::bench
