// SPDX-License-Identifier: GPL-3.0-or-later
// Asks the same question in many ways, many thousand times, and fails on a contradiction (campaign.h).
// Every question depends on seed and index alone: `--seed S --first I --questions 1` asks it again.
#include <chrono>
#include <cstdio>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <ompl/util/Console.h>
#include <tbb/global_control.h>

#include "geometry/numbers/numbers.h"
#include "tools/bench/consistency/campaign.h"
#include "tools/bench/support/machine.h"

using namespace withy;

int main(int argc, char** argv) {
  consistency::CampaignSettings settings;
  double seconds = kInfinity;
  CLI::App app("Asks the same question in many ways; a contradiction is a failure");
  app.add_option("--seed", settings.seed, "of all that is drawn")->capture_default_str();
  app.add_option("--questions", settings.questions, "how many")->capture_default_str();
  app.add_option("--first", settings.first, "index of the first question")->capture_default_str();
  app.add_option("--seconds", seconds, "start no question after so long");
  app.add_option("--threads", settings.threads, "questions asked at once")
      ->capture_default_str()
      ->check(CLI::Range(1, 256));
  app.add_option("--work", settings.budget.work, "what one way of asking may take, about microseconds")
      ->capture_default_str();
  app.add_option("--looks", settings.attack_looks, "states that an attack on unreachable looks at")
      ->capture_default_str();
  app.add_option("--out", settings.failures, "folder for scenes that contradict")->capture_default_str();
  CLI11_PARSE(app, argc, argv);

  const tbb::global_control cores(tbb::global_control::max_allowed_parallelism,
                                  static_cast<std::size_t>(settings.threads));
  ompl::msg::noOutputHandler();  // what stock planners don't find is no news
  const auto begin = std::chrono::steady_clock::now();
  const auto elapsed = [&] {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  };
  settings.stop = [&] { return elapsed() > seconds; };
  fmt::print("{}, commit {}, seed {}, questions from {}, at most {} work a way\n", bench::processor(),
             bench::commit(), settings.seed, settings.first, settings.budget.work);
  std::fflush(stdout);
  consistency::Campaign campaign(settings);
  campaign.run();
  fmt::print("{}{:.0f} s on {} thread(s), {:.0f} s of processor time\n", campaign.ledger().text(), elapsed(),
             settings.threads, bench::processor_seconds());
  return campaign.ledger().all().contradicted > 0 ? 1 : 0;
}
