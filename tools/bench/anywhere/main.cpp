// SPDX-License-Identifier: GPL-3.0-or-later
// Lock counts that no layout reaches with: are they proved, in what time, and does a random layout break the
// proof?
//
// Each of the tests' five questions is asked with one lock and with two, wherever they sit. Then random
// layouts are put to the complete search, with so much work each: one that reaches what is proved not to be
// reached is printed, and the status is 1.
#include <chrono>
#include <random>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include "planner/search/layouts/anywhere.h"
#include "planner/search/route/route_search.h"
#include "tests/support/hopeless_counts.h"

using namespace withy;
using namespace withy::testing;

namespace {

struct Options {
  std::vector<std::string> names;
  std::vector<int> locks = {1, 2};
  int layouts = 2000;
  double budget_s = 120.0;
  std::int64_t work = 100000;
  unsigned seed = 1;
};

double seconds_since(std::chrono::steady_clock::time_point since) {
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count();
}

/// So many random layouts that reach.
int layouts_that_reach(const SearchProblem& asked, int locks, const Options& options) {
  std::mt19937 random(options.seed);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  int reach = 0;
  for (int k = 0; k < options.layouts; ++k) {
    const Stations stations = random_stations(asked.design.parts(), locks, [&] { return share(random); });
    const SearchProblem one = with_locks_at(asked, stations);
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(options.work);
    if (RouteSearch(one, settings).run(one.goal) != SearchOutcome::found) continue;
    ++reach;
    fmt::print("  layout {} reaches:", k);
    for (const double s : stations) fmt::print(" {:.17g}", s);
    fmt::print("\n");
  }
  return reach;
}

/// False where a random layout breaks the proof.
bool ask(const HopelessCount& count, int locks, const Options& options) {
  Stations middle;
  for (int i = 0; i < locks; ++i)
    middle.push_back((i + 1.0) * count.asked.design.length_mm() / (locks + 1.0));
  const SearchProblem asked = with_locks_at(count.asked, middle);
  AnywhereSettings settings;
  settings.effort = Effort::of_seconds(options.budget_s);
  const auto since = std::chrono::steady_clock::now();
  const AnywhereAnswer answer = reach_anywhere(asked, settings);
  fmt::print("{:<9} {} lock{}: {}, {:.1f} s: {}\n", count.name, locks, locks == 1 ? " " : "s",
             name_of(answer.verdict), seconds_since(since), answer.why);
  const int reach = layouts_that_reach(asked, locks, options);
  fmt::print("  {} of {} random layouts reach\n", reach, options.layouts);
  return reach == 0 || answer.verdict != Verdict::unreachable;
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app("Lock counts that no layout reaches with, proved and attacked");
  Options options;
  app.add_option("--scenes", options.names, "names of questions; left out: all");
  app.add_option("--locks", options.locks, "lock counts");
  app.add_option("--layouts", options.layouts, "random layouts for each");
  app.add_option("--budget", options.budget_s, "seconds for each question");
  app.add_option("--work", options.work, "work for each random layout");
  app.add_option("--seed", options.seed, "of the layouts");
  CLI11_PARSE(app, argc, argv);
  bool stand = true;
  for (const HopelessCount& count : hopeless_counts(options.names))
    for (const int locks : options.locks) stand = ask(count, locks, options) && stand;
  return stand ? 0 : 1;
}
