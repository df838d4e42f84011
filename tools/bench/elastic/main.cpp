// SPDX-License-Identifier: GPL-3.0-or-later
// What the elastic body does with the shipped scenes' plans, how long it takes to say so, how much
// compensated pulls help on benches that are not quite the scene's, and how often the intervals of fits hold.
// Times are processor time. Passes or fails nothing.
#include <cstdio>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include "tools/bench/elastic/tables.h"
#include "tools/bench/support/machine.h"

using namespace withy;

int main(int argc, char** argv) {
  bench::ElasticQuestions questions;
  bench::PullsSettings pulls;
  bench::FitsSettings fits;
  CLI::App app("The elastic body: effects, heeding, compensated pulls, fits");
  app.require_subcommand(1);
  const auto asks = [&](CLI::App* table) {
    table->add_option("--scenes", questions.scenes, "folders of scenes/; all");
    table->add_option("--locks", questions.locks);
    table->add_option("--budget", questions.budget_s, "seconds for each plan");
    return table;
  };
  auto* effects = asks(app.add_subcommand("effects", "each plan with ideal and compensated pulls"));
  auto* heed = asks(app.add_subcommand("heed", "what heeding the elastic body changes, and what it takes"));
  auto* off = asks(app.add_subcommand("pulls", "tips on benches that are off by what fits leave open"));
  auto* notches =
      asks(app.add_subcommand("notches", "every bend of a plan's locks: does one hold for either body?"));
  for (auto* table : {effects, heed, off, notches})
    table->add_flag("--handed-out", questions.handed_out,
                    "the plans that `withy plan` hands out; left out: those for clearance, not heeded");
  off->add_option("--benches", pulls.benches, "for each plan");
  off->add_option("--seed", pulls.seed);
  auto* coverage = app.add_subcommand("fits", "how often the 95 % intervals hold the truth");
  coverage->add_option("--fits", fits.fits);
  coverage->add_option("--seed", fits.seed);
  CLI11_PARSE(app, argc, argv);
  fmt::print("{}, commit {}\n", bench::processor(), bench::commit());
  std::fflush(stdout);
  if (*coverage) {
    bench::print_fits(fits);
    return 0;
  }
  const bool read = *effects   ? bench::print_effects(questions)
                    : *heed    ? bench::print_heeding(questions)
                    : *notches ? bench::print_notches(questions)
                               : bench::print_pulls(questions, pulls);
  return read ? 0 : 2;
}
