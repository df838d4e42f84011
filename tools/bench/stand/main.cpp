// SPDX-License-Identifier: GPL-3.0-or-later
// What plans stand on a bench, before and after: for every shipped scene and lock count that reaches, the
// plan preferred for its clearance and the one preferred for the bench, side by side. With --brute, plans by
// brute force against the second. Times are processor time. Passes or fails nothing, but for --brute: there
// status 1 where the best plan of brute force is stood by over five per cent more benches, or where it has
// none.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>

#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/search/elsewhere/stuck_locks.h"
#include "planner/segment/shape.h"
#include "planner/stand/advice.h"
#include "tools/bench/stand/brute_force.h"
#include "tools/bench/support/machine.h"

using namespace withy;

namespace {

struct Options {
  std::vector<std::string> scenes;
  std::vector<int> locks = {0, 1, 2, 3};
  bool brute = false;
  bool advice = false;
  bool table = false;
  bench::BruteSettings grid;
};

struct Made {
  Answer answer;
  double seconds = 0.0;
};

Made make(const PreparedScene& prepared, const SearchProblem& problem, Preference prefer) {
  SolveSettings settings;
  settings.prefer = prefer;
  settings.errors = usual_errors(prepared.scene);
  settings.explain = false;
  const double begin = bench::processor_seconds();
  Made made{solve(problem, settings), 0.0};
  if (made.answer.plan)
    made.answer.plan->stuck_locks = find_ways_past_stuck_locks(problem, *made.answer.plan, settings.effort);
  made.seconds = bench::processor_seconds() - begin;
  return made;
}

std::string figures(const SearchProblem& problem, const Made& made) {
  const Plan& plan = *made.answer.plan;
  const Standing& s = *plan.standing;
  const double tip = problem.goal.distance(plan.states[static_cast<std::size_t>(plan.reached_state)].tip_E);
  const auto percent = [&](const BenchCount& count) { return 100.0 * count.benches / s.draws; };
  const auto stuck_out = std::count_if(plan.stuck_locks.begin(), plan.stuck_locks.end(),
                                       [](const StuckLock& stuck) { return stuck.out; });
  return fmt::format(
      "clear {:5.2f} mm, tip {:4.2f} of {:g} mm, reserve {:4.2f} ({}), fails {:6.2f} %, touch {:.2f}, miss "
      "{:.2f}, no "
      "notch {:.2f}, overload {:.2f}, tension {:.2f} N, field {:.2f} mT, switch reserve {:.2f}, stuck locks "
      "out {} of "
      "{}, {:.2f} s",
      plan.clearance_mm, tip, problem.goal.tolerance_mm, s.reserve, s.limited_by, percent(s.fails),
      percent(s.touches), percent(s.misses), percent(s.disengaged), percent(s.overloads),
      plan.largest.tension_N.value_or(NAN), plan.largest.field_mT.value_or(NAN),
      least_field_reserve(plan).value_or(NAN), stuck_out, plan.stuck_locks.size(), made.seconds);
}

constexpr const char* kTableHead =
    "| scene, locks | plan for | clear mm | tip mm | reserve | beyond it | fails % | touch | miss | no notch "
    "| "
    "overload | tension N | field mT | switch reserve | stuck locks that have a way out | s |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n";

/// A figure of a table, a dash where there is none.
std::string cell(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? fmt::format("{:.2f}", *value) : "-";
}

std::string table_row(const SearchProblem& problem, const std::string& name, const char* plan_for,
                      const Made& made) {
  const Plan& plan = *made.answer.plan;
  const Standing& s = *plan.standing;
  const auto percent = [&](const BenchCount& count) {
    return fmt::format("{:.2f}", 100.0 * count.benches / s.draws);
  };
  const auto stuck_out = std::count_if(plan.stuck_locks.begin(), plan.stuck_locks.end(),
                                       [](const StuckLock& stuck) { return stuck.out; });
  const double tip = problem.goal.distance(plan.states[static_cast<std::size_t>(plan.reached_state)].tip_E);
  return fmt::format(
      "| {} | {} | {} | {:.2f} of {:g} | {:.2f} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} of {} | "
      "{:.2f} "
      "|\n",
      name, plan_for, cell(plan.clearance_mm), tip, problem.goal.tolerance_mm, s.reserve, s.limited_by,
      percent(s.fails), percent(s.touches), percent(s.misses), percent(s.disengaged), percent(s.overloads),
      cell(plan.largest.tension_N), cell(plan.largest.field_mT), cell(least_field_reserve(plan)), stuck_out,
      plan.stuck_locks.size(), made.seconds);
}

/// Brute force beside withy's own plan. Does its best stand no more than five per cent more: does it fail on
/// fewer benches, so that over five per cent more are left that do not?
bool compare_with_brute_force(const SearchProblem& problem, const Stander& stander, const Standing& own,
                              bench::BruteSettings grid) {
  constexpr double kMore = 1.05;
  grid.own_share = static_cast<double>(own.fails.benches) / own.draws;
  const double begin = bench::processor_seconds();
  const bench::BruteResult brute = bench::search_by_brute_force(problem, stander, grid);
  const auto percent = [](const Standing& s) { return 100.0 * s.fails.benches / s.draws; };
  fmt::print(
      "  brute force: {} notches, {} states, {} plans{}; no end tried fails on fewer than {:.1f} %; {:.0f} "
      "s\n",
      brute.leaves, brute.states, brute.plans, brute.whole ? "" : " (the most that are made)",
      100.0 * brute.best_end / grid.draws, bench::processor_seconds() - begin);
  if (brute.coarser > 0)
    fmt::print("  brute force: a grid of up to {:g} mm instead of {:g} mm at {} notches\n", brute.coarsest_mm,
               grid.step_mm, brute.coarser);
  if (!brute.best) {
    fmt::print("  brute force found NO PLAN, so it says nothing\n");
    return false;
  }
  fmt::print(
      "  withy's plan fails on {:.2f} %, reserve {:.2f}; the best by brute force on {:.2f} %, reserve "
      "{:.2f}; the largest reserve {:.2f}, failing on {:.2f} %\n",
      percent(own), own.reserve, percent(*brute.best), brute.best->reserve, brute.surest->reserve,
      percent(*brute.surest));
  std::fflush(stdout);
  return 100.0 - percent(*brute.best) <= kMore * (100.0 - percent(own));
}

/// Figures of all questions that reach.
struct Spread {
  std::vector<double> fails, seconds;
};

bool run_question(const PreparedScene& prepared, const std::string& name, int locks, const Options& options,
                  Spread& spread) {
  const auto problem = make_problem(prepared, locks);
  if (!problem) return true;
  const Made before = make(prepared, *problem, Preference::clearance);
  if (!before.answer.plan) return true;
  const Made after = make(prepared, *problem, Preference::bench);
  const std::string question = fmt::format("{} {}", name, locks);
  if (options.table)
    fmt::print("{}", table_row(*problem, question, "clearance", before));
  else
    fmt::print("{}\n  before: {}\n", question, figures(*problem, before));
  if (!after.answer.plan) {
    fmt::print("  after:  NO PLAN\n");
    return false;
  }
  if (options.table)
    fmt::print("{}", table_row(*problem, question, "bench", after));
  else
    fmt::print("  after:  {}\n", figures(*problem, after));
  const Standing& standing = *after.answer.plan->standing;
  spread.fails.push_back(100.0 * standing.fails.benches / standing.draws);
  spread.seconds.push_back(after.seconds);
  const ErrorSizes sizes = usual_errors(prepared.scene);
  if (options.advice) fmt::print("{}", advice_text(find_advice(*problem, *after.answer.plan, sizes)));
  std::fflush(stdout);
  if (!options.brute) return true;
  const Stander stander(*problem, sizes);
  return compare_with_brute_force(*problem, stander, standing, options.grid);
}

double median(std::vector<double> values) {
  if (values.empty()) return NAN;
  std::sort(values.begin(), values.end());
  const std::size_t n = values.size();
  return 0.5 * (values[(n - 1) / 2] + values[n / 2]);
}

std::vector<std::string> shipped_scenes() {
  std::vector<std::string> names;
  for (const auto& entry : std::filesystem::directory_iterator(WITHY_SOURCE_DIR "/scenes"))
    if (std::filesystem::exists(entry.path() / "scene.toml"))
      names.push_back(entry.path().filename().string());
  std::sort(names.begin(), names.end());
  return names;
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("What plans stand, before and after");
  app.add_option("--scenes", options.scenes, "names of shipped scenes; left out: all");
  app.add_option("--locks", options.locks);
  app.add_flag("--table", options.table, "as a table in Markdown");
  app.add_flag("--advice", options.advice, "what would bring the chance to fail under 1 %");
  app.add_flag("--brute", options.brute, "plans by brute force beside them");
  app.add_option("--step", options.grid.step_mm, "of the grid that brute force tries, mm of the tip");
  app.add_option("--boxes", options.grid.boxes_of_leaf, "of one notch's grid that brute force takes at most");
  app.add_option("--plans", options.grid.most_plans, "plans that brute force makes at most");
  CLI11_PARSE(app, argc, argv);
  if (options.scenes.empty()) options.scenes = shipped_scenes();
  fmt::print("{}, commit {}\n", bench::processor(), bench::commit());
  if (options.table) fmt::print("{}", kTableHead);
  bool good = true;
  Spread spread;
  for (const std::string& name : options.scenes) {
    const auto prepared = prepare_scene(WITHY_SOURCE_DIR "/scenes/" + name + "/scene.toml");
    if (!prepared) {
      fmt::print(stderr, "{}\n", prepared.error().message());
      return 2;
    }
    for (const int locks : options.locks)
      good = run_question(*prepared, name, locks, options, spread) && good;
  }
  fmt::print("{} questions reach; medians after: {:.2f} % of benches fail, {:.2f} s\n", spread.fails.size(),
             median(spread.fails), median(spread.seconds));
  return good ? 0 : 1;
}
