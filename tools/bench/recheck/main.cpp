// SPDX-License-Identifier: GPL-3.0-or-later
// Proofs against their checker: every question of the shipped scenes proved, certified and checked; how long
// either takes and how long the certificates are.
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "planner/files/file_output.h"
#include "planner/plan/plan.h"
#include "planner/proof/plans/check_plan.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "tests/support/forgeries.h"
#include "tools/bench/support/machine.h"

using namespace withy;

namespace {

// Of each search for a proof to forge with: most take far less, and there are enough.
constexpr std::int64_t kForgeWork = 3000000;
// Of each walk from a legal state of a mutant's difference.
constexpr int kWalkActions = 40;

struct Options {
  std::vector<std::string> scenes;
  std::vector<int> locks = {0, 1, 2, 3};
  std::int64_t work = 60000000;
  std::string keep;  // folder for the certificates
  bool plans = false;
  bool forge = false;
  bool spans = false;
  int mutants = 0;
  double quick_s = 0.5;  // certificates that take more processor time to check are not mutated
  std::uint64_t seed = 1;
};

class Stopwatch {
 public:
  double seconds() const {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count();
  }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

/// Counts of what was refused and what was not.
struct Tally {
  int tried = 0;
  int refused = 0;    // does not hold
  int undecided = 0;  // could not decide
  int held = 0;
  int true_after_all = 0;  // of those that held: a second look found them true

  void count(recheck::Verdict verdict) {
    refused += verdict == recheck::Verdict::does_not_hold;
    undecided += verdict == recheck::Verdict::could_not_decide;
    held += verdict == recheck::Verdict::holds;
  }
};

Tally proofs;
Tally plans;
Tally forged;
Tally mutated;

/// Proofs of harder questions, put forward for this one, which is reached.
void forge(const PreparedScene& prepared, const SearchProblem& problem, const std::string& name, int locks,
           const Options& options) {
  for (const auto& forgery :
       withy_test::forgeries_of(prepared, problem, std::min(options.work, kForgeWork))) {
    const Stopwatch time;
    const auto report = recheck::check_proof(forgery.certificate, prepared.scene, prepared.wall(), {});
    ++forged.tried;
    forged.count(report.outcome.verdict);
    fmt::print("  {} {} {}: {} in {:.2f} s: {}\n", name, locks, forgery.what, name_of(report.outcome.verdict),
               time.seconds(), report.outcome.why);
    std::fflush(stdout);
  }
}

/// Certificates with one thing changed.
void mutate(const PreparedScene& prepared, const SearchProblem& problem,
            const recheck::Certificate& certificate, const Options& options) {
  std::mt19937_64 random(options.seed);
  withy_test::Outsider outsider(prepared.scene.file, problem.design.layout(),
                                static_cast<unsigned>(options.seed));
  for (int i = 0; i < options.mutants; ++i) {
    const auto mutant = withy_test::mutant_of(certificate, random);
    if (!mutant) continue;
    const auto report = recheck::check_proof(mutant->certificate, prepared.scene, prepared.wall(), {});
    ++mutated.tried;
    mutated.count(report.outcome.verdict);
    if (report.outcome.verdict != recheck::Verdict::holds) continue;
    const auto legal = withy_test::legal_in_difference(problem, certificate, *mutant, 200, random);
    const int crossings = legal ? outsider.crossings(problem, mutant->certificate, *legal, kWalkActions) : -1;
    mutated.true_after_all += crossings == 0;
    fmt::print(
        "  mutant {} ({}, leaf {}) holds; legal states drawn of the difference: {}, crossings of walks: {}\n",
        i, mutant->what, mutant->leaf, legal ? static_cast<int>(legal->size()) : -1, crossings);
  }
}

/// The plan of a question that is reached, as `withy plan` makes it, before its checker.
void recheck_plan(const PreparedScene& prepared, const SearchProblem& problem, const std::string& name,
                  int locks) {
  const Stopwatch plan_time;
  SolveSettings settings;
  settings.effort = Effort::of_seconds(shares::kPlanSeconds);
  settings.explain = false;
  const Answer answer = solve(problem, settings);
  const double planned_s = plan_time.seconds();
  const auto reserve = answer.plan ? least_field_reserve(*answer.plan) : std::nullopt;
  const std::string text = write_plan({prepared.scene, problem.design, answer, prepared.scene.file.string()});
  const Stopwatch check_time;
  const auto report = recheck::check_plan(text, "the plan", prepared.scene, prepared.wall(), {});
  const auto outcome =
      report ? report->outcome : recheck::Outcome{recheck::Verdict::does_not_hold, report.error().message()};
  ++plans.tried;
  plans.count(outcome.verdict);
  fmt::print("{:14} {} planned {:6.2f} s, {}, least reserve {}: {} in {:.2f} s: {}\n", name, locks, planned_s,
             name_of(answer.verdict), reserve ? fmt::format("{:.3f}", *reserve) : "-",
             name_of(outcome.verdict), check_time.seconds(),
             outcome.verdict == recheck::Verdict::holds ? report->what : outcome.why);
}

void ask(const PreparedScene& prepared, const std::string& name, int locks, const Options& options) {
  const auto problem = make_problem(prepared, locks);
  if (!problem) return;
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(options.work);
  settings.spans = options.spans;
  const Stopwatch search_time;
  RouteSearch search(*problem, settings);
  const SearchOutcome outcome = search.run(problem->goal);
  const double proved_s = search_time.seconds();
  if (outcome == SearchOutcome::found && options.forge) forge(prepared, *problem, name, locks, options);
  if (outcome == SearchOutcome::found && options.plans) recheck_plan(prepared, *problem, name, locks);
  if (outcome != SearchOutcome::proved_none) {
    fmt::print("{:14} {} {}\n", name, locks, outcome == SearchOutcome::found ? "reached" : "undecided");
    return;
  }
  const Stopwatch certify_time;
  recheck::Certificate certificate = certify(*problem, search, settings);
  name_scene(certificate, prepared.scene, prepared.wall().channel(), prepared.scene.file.string());
  const double certified_s = certify_time.seconds();
  const std::string text = recheck::write_certificate(certificate);
  if (!options.keep.empty()) {
    const auto file = std::filesystem::path(options.keep) / fmt::format("{}-{}.proof", name, locks);
    if (!write_whole(file, text)) fmt::print(stderr, "{} can't be written\n", file.string());
  }
  const auto read = recheck::read_certificate(text, "certificate");
  if (!read) {
    fmt::print("{:14} {} unreadable: {}\n", name, locks, read.error().message());
    return;
  }
  const Stopwatch check_time;
  const double before_s = bench::processor_seconds();
  const auto report = recheck::check_proof(*read, prepared.scene, prepared.wall(), {});
  const double checked_s = check_time.seconds();
  const double check_cpu_s = bench::processor_seconds() - before_s;
  ++proofs.tried;
  proofs.count(report.outcome.verdict);
  fmt::print(
      "{:14} {} proved {:7.2f} s, certified {:7.2f} s, {:5} leaves {:9} B ({:8} gz){}: {} in {:.2f} s, {} "
      "looks ({:.2f} s of processor time){}{}\n",
      name, locks, proved_s, certified_s, certificate.leaves.size(), text.size(),
      recheck::packed(text).size(), certificate.header.uses("field") ? " with the field" : "",
      name_of(report.outcome.verdict), checked_s, report.looks, check_cpu_s,
      report.outcome.why.empty() ? "" : ": ", report.outcome.why);
  if (check_cpu_s < options.quick_s && !certificate.leaves.empty() &&
      report.outcome.verdict == recheck::Verdict::holds)
    mutate(prepared, *problem, certificate, options);
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("Proofs of the shipped scenes against their checker");
  app.add_option("--scenes", options.scenes, "scene files; left out: all shipped");
  app.add_option("--locks", options.locks, "lock counts");
  app.add_option("--work", options.work, "work for each search");
  app.add_flag("--plans", options.plans, "plan where the target is reached, and check the plan");
  app.add_flag("--forge", options.forge, "put proofs of harder questions forward where a plan is known");
  app.add_flag("--spans", options.spans, "let spans of insertion prove as well, as plan does");
  app.add_option("--mutants", options.mutants,
                 "change so many things of each certificate that holds, one at a time");
  app.add_option("--quick", options.quick_s,
                 "change only certificates that take at most so much processor time (s) to check");
  app.add_option("--seed", options.seed, "seed of the mutants");
  app.add_option("--keep", options.keep, "folder to keep the certificates in");
  CLI11_PARSE(app, argc, argv);
  if (options.scenes.empty()) {
    for (const auto& entry : std::filesystem::directory_iterator(WITHY_SOURCE_DIR "/scenes"))
      if (std::filesystem::exists(entry.path() / "scene.toml"))
        options.scenes.push_back((entry.path() / "scene.toml").string());
    std::sort(options.scenes.begin(), options.scenes.end());
  }
  fmt::print("{}, commit {}\n", bench::processor(), bench::commit());
  for (const std::string& file : options.scenes) {
    const auto prepared = prepare_scene(file);
    if (!prepared) {
      fmt::print(stderr, "{}\n", prepared.error().message());
      return 2;
    }
    for (const int locks : options.locks) {
      ask(*prepared, std::filesystem::path(file).parent_path().filename().string(), locks, options);
      std::fflush(stdout);
    }
  }
  for (const auto& [what, tally] : {std::pair("proofs", proofs), std::pair("plans", plans),
                                    std::pair("forged", forged), std::pair("mutants", mutated)})
    if (tally.tried > 0)
      fmt::print("{}: {} tried, {} refused, {} not decided, {} held\n", what, tally.tried, tally.refused,
                 tally.undecided, tally.held);
  if (mutated.held > 0)
    fmt::print("{} of the mutants that held are true by a second look\n", mutated.true_after_all);
  const bool sound = forged.held == 0 && mutated.held == mutated.true_after_all;
  return sound && proofs.refused == 0 && plans.refused == 0 ? 0 : 1;
}
