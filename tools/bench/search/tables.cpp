// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/search/tables.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "tools/bench/support/spread.h"

namespace withy::bench {

namespace {

double median(const std::vector<double>& values) {
  return spread_of(values).median;
}

std::string number(const std::vector<double>& values, const char* format) {
  if (values.empty()) return "-";
  const double value = median(values);
  return std::isfinite(value) ? fmt::format(fmt::runtime(format), value) : "outside";
}

/// How many times the complete search's median time the planner's median is; nothing unless both solved.
std::string ratio(const Experiment& experiment, const PlannerRuns& runs) {
  if (runs.solved() == 0 || experiment.complete().solved() == 0) return "-";
  return fmt::format("{:.2f}", median(runs.seconds) / median(experiment.complete().seconds));
}

std::string question(const Experiment& experiment) {
  return fmt::format("{} with {} lock{}", experiment.scene, experiment.locks,
                     experiment.locks == 1 ? "" : "s");
}

std::string planner_line(const Experiment& experiment, const PlannerRuns& runs) {
  const bool proof = !runs.proof_seconds.empty();
  const Spread time = spread_of(proof ? runs.proof_seconds : runs.seconds);
  const auto seconds = [&](double value) {
    return time.samples > 0 ? fmt::format("{:.4f}", value) : std::string("-");
  };
  return fmt::format("  {:<15} {:>3}/{:<3} {:>9} {:>9} {:>9} {:>10} {:>9} {:>8} {:>9} {:>5}\n", runs.planner,
                     proof ? time.samples : runs.solved(), runs.runs, seconds(time.median), seconds(time.p10),
                     seconds(time.p90), ratio(experiment, runs), number(runs.length_mm, "{:.1f}"),
                     number(runs.switches, "{:.0f}"), number(runs.clearance_mm, "{:.3f}"),
                     runs.solved() > 0 ? fmt::format("{}/{}", runs.confirmed, runs.solved()) : "-");
}

/// The stock planner that solved the question in the least median time.
const PlannerRuns* fastest_stock(const Experiment& experiment) {
  const PlannerRuns* fastest = nullptr;
  for (auto runs = experiment.planners.begin() + 1; runs != experiment.planners.end(); ++runs)
    if (runs->solved() > 0 && (fastest == nullptr || median(runs->seconds) < median(fastest->seconds)))
      fastest = &*runs;
  return fastest;
}

}  // namespace

std::string experiment_table(const Experiment& experiment) {
  std::string out = fmt::format("\n{}: {}\n", question(experiment), name_of(experiment.verdict));
  out += fmt::format("  {:<15} {:>7} {:>9} {:>9} {:>9} {:>10} {:>9} {:>8} {:>9} {:>5}\n", "planner",
                     experiment.verdict == Verdict::unreachable ? "proved " : "solved ", "median s", "p10",
                     "p90", "to ours", "length mm", "switches", "clear mm", "valid");
  for (const PlannerRuns& runs : experiment.planners) out += planner_line(experiment, runs);
  return out;
}

std::string planner_table(const std::vector<Experiment>& experiments) {
  std::string out = fmt::format("\n  {:<15} {:>16} {:>14} {:>16} {:>16}\n", "planner", "questions solved",
                                "runs solved", "median to ours", "least to ours");
  for (std::size_t i = 0; i < experiments.front().planners.size(); ++i) {
    int solvable = 0;
    int solved = 0;
    int runs = 0;
    int runs_solved = 0;
    std::vector<double> ratios;
    for (const Experiment& experiment : experiments) {
      const PlannerRuns& planner = experiment.planners[i];
      if (experiment.verdict == Verdict::unreachable) continue;
      ++solvable;
      runs += planner.runs;
      runs_solved += planner.solved();
      if (planner.solved() == 0) continue;
      ++solved;
      if (experiment.complete().solved() > 0)
        ratios.push_back(median(planner.seconds) / median(experiment.complete().seconds));
    }
    out += fmt::format(
        "  {:<15} {:>9} of {:<3} {:>6} of {:<5} {:>15} {:>16}\n", experiments.front().planners[i].planner,
        solved, solvable, runs_solved, runs, number(ratios, "{:.2f}"),
        ratios.empty() ? "-" : fmt::format("{:.2f}", *std::min_element(ratios.begin(), ratios.end())));
  }
  return out + "  (questions that the complete search proved unreachable left out)\n";
}

std::string faster_sentences(const std::vector<Experiment>& experiments) {
  int both = 0;
  std::vector<std::string> faster;
  std::vector<std::string> alone;
  for (const Experiment& experiment : experiments) {
    const PlannerRuns* stock = fastest_stock(experiment);
    if (stock == nullptr) continue;
    if (experiment.complete().solved() == 0) {
      alone.push_back(fmt::format("{} ({})", question(experiment), stock->planner));
      continue;
    }
    ++both;
    if (median(stock->seconds) < median(experiment.complete().seconds))
      faster.push_back(fmt::format("{} ({}, {} times our time, {} of {} runs solved)", question(experiment),
                                   stock->planner, ratio(experiment, *stock), stock->solved(), stock->runs));
  }
  return fmt::format(
      "In {} of {} questions that both solved, the fastest stock planner's median was below the complete "
      "search's{}{}.\nA stock planner solved {} that the complete search did not within the budget{}{}.",
      faster.size(), both, faster.empty() ? "" : ": ", fmt::join(faster, "; "), alone.size(),
      alone.empty() ? "" : ": ", fmt::join(alone, "; "));
}

std::string contradictions(const std::vector<Experiment>& experiments) {
  std::string out;
  for (const Experiment& experiment : experiments)
    if (!experiment.complete().proof_seconds.empty())
      for (const PlannerRuns& runs : experiment.planners)
        if (runs.solved() > 0)
          out += fmt::format("{} solved {} in {} of {} runs, which the complete search proved unreachable.\n",
                             runs.planner, question(experiment), runs.solved(), runs.runs);
  return out;
}

std::string agreement_sentence(const std::vector<Experiment>& experiments) {
  int proved = 0;
  int runs = 0;
  for (const Experiment& experiment : experiments) {
    if (experiment.verdict != Verdict::unreachable) continue;
    ++proved;
    for (std::size_t i = 1; i < experiment.planners.size(); ++i) runs += experiment.planners[i].runs;
  }
  return fmt::format(
      "No stock planner solved a question that the complete search proved unreachable ({} such questions, {} "
      "runs).",
      proved, runs);
}

}  // namespace withy::bench
