// SPDX-License-Identifier: GPL-3.0-or-later
// bench_friction: questions about friction locks whose answers are known (tests/support/friction_family.h).
//
// Each is put to the complete search. Printed are its answer, processor time, cells and work; then how many
// were undecided, the median and the ninetieth percentile. Status 1 where an answer is wrong or a witness
// does not hold: times never decide.
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "planner/search/route/route_search.h"
#include "tests/support/friction_family.h"
#include "tools/bench/support/machine.h"
#include "tools/bench/support/spread.h"

using namespace withy;

namespace {

const char* word_of(SearchOutcome outcome) {
  switch (outcome) {
    case SearchOutcome::found:
      return "reached";
    case SearchOutcome::proved_none:
      return "unreachable";
    case SearchOutcome::stopped:
      break;
  }
  return "undecided";
}

bool witness_holds(const withy_test::FrictionQuestion& question) {
  if (!question.witness) return true;
  const Hardware hardware(question.problem.design);
  const StepJudge judge(question.problem, hardware);
  for (std::size_t i = 0; i < question.witness->steps.size(); ++i) {
    const RouteStep& step = question.witness->steps[i];
    const State& before = question.witness->state_before(i);
    if (!(step.lock < 0 ? judge.motion_allowed(before, step.to)
                        : judge.switch_allowed(before, step.lock, step.to)))
      return false;
  }
  return true;
}

}  // namespace

int main(int argc, char** argv) {
  double budget_s = 60.0;
  bool short_form = false;
  std::string only;
  CLI::App app("Questions about friction locks whose answers are known");
  app.add_option("--budget", budget_s, "seconds for each question");
  app.add_option("--only", only, "questions whose name holds this");
  bool cells_only = false;
  app.add_flag("--cells-only", cells_only, "without the proofs by relaxations");
  std::int64_t twin_work = shares::kTwinWork;
  app.add_option("--twin-work", twin_work, "what looking for a plan with some bends only may take");
  app.add_flag("--short", short_form, "the few that the tests ask");
  CLI11_PARSE(app, argc, argv);
  fmt::print("{}, commit {}, budget {} s\n", bench::processor(), bench::commit(), budget_s);
  std::vector<double> seconds;
  int undecided = 0;
  int wrong = 0;
  for (const auto& question : withy_test::friction_family(short_form)) {
    if (question.name.find(only) == std::string::npos) continue;
    RouteSearchSettings settings;
    settings.effort = Effort::of_seconds(budget_s);
    settings.twin_work = twin_work;
    settings.relaxations = !cells_only;
    const double begin = bench::processor_seconds();
    RouteSearch search(question.problem, settings);
    const SearchOutcome outcome = search.run(question.problem.goal);
    seconds.push_back(bench::processor_seconds() - begin);
    const bool holds = witness_holds(question);
    const bool decided = outcome != SearchOutcome::stopped;
    const bool right = !decided || (outcome == SearchOutcome::found) == question.reached;
    undecided += decided ? 0 : 1;
    wrong += right && holds ? 0 : 1;
    fmt::print("{:46} {:12} {:8.2f} s {:9} cells {:11} work{}{}\n", question.name, word_of(outcome),
               seconds.back(), search.checks(), search.work(), right ? "" : "  WRONG",
               holds ? "" : "  WITNESS DOES NOT HOLD");
    std::fflush(stdout);
  }
  const auto spread = bench::spread_of(seconds);
  fmt::print(
      "{} questions, {} undecided, {} wrong; processor time median {:.2f} s, 90th percentile {:.2f} s\n",
      spread.samples, undecided, wrong, spread.median, spread.p90);
  return wrong > 0 ? 1 : 0;
}
