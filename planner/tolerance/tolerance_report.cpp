// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/tolerance_report.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/files/csv.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/bench_contact.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::array kShares = {0.5, 0.95, 0.99};

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

/// A size as files have it: degrees for angles.
double in_file_unit(std::size_t kind, double size) {
  return size / error_names()[kind].per_file_unit;
}

std::string largest_words(std::size_t kind, double size) {
  const bool end_of_search = size >= WorstCase::largest_sought(static_cast<ErrorKind>(kind));
  return fmt::format("{}{:.4g}", end_of_search ? ">" : "", in_file_unit(kind, size));
}

std::string interval_words(const ProbabilityInterval& p, int hits, int draws) {
  return fmt::format("{:.2f} % ({} of {}; {:.2f} to {:.2f} %)", 100.0 * hits / draws, hits, draws,
                     100.0 * p.low, 100.0 * p.high);
}

std::string share_words(const SensitivityIndex& index) {
  return fmt::format("{:.0f} % ({:.0f} to {:.0f})", 100.0 * index.share, 100.0 * index.low,
                     100.0 * index.high);
}

std::string end_words(const std::optional<double>& end) {
  return end ? fmt::format("{:.3f}", *end) : "?";
}

Json probability_json(const ProbabilityInterval& p, int hits, int draws) {
  return {{"hits", hits}, {"estimate", static_cast<double>(hits) / draws}, {"low", p.low}, {"high", p.high}};
}

/// Where the effort ended all before the benches were drawn, or as they were.
CutShort cut_at_draws(const MonteCarloResult& drawn, int asked) {
  std::string benches = fmt::format("{} of {} benches drawn", drawn.draws, asked);
  if (drawn.draws >= 2)
    benches += fmt::format(", which fail on {}", interval_words(drawn.fail, drawn.fails, drawn.draws));
  return {
      "the worst case of all errors at once; " + benches,
      drawn.draws < asked ? "the other benches; what each error takes alone" : "what each error takes alone"};
}

/// What each error takes alone.
void judge_errors(WorstCase& worst, double kept_without_mm, const ErrorSizes& sizes, bool moves,
                  ToleranceReport& report) {
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    const auto kind = static_cast<ErrorKind>(i);
    ErrorSizes alone;
    alone[kind] = sizes[kind];
    ErrorVerdict& verdict = report.errors[i];
    verdict.size = sizes[kind];
    verdict.clearance_lost_mm = moves ? kept_without_mm - worst.clearance_kept(alone) : 0.0;
    verdict.tip_moved_mm = worst.tip_error(alone) - report.tip_error_planned_mm;
    verdict.tip_share = report.monte_carlo.tip_share[i];
    verdict.stands_off_the_wall = worst.largest(kind, StandsFor::off_the_wall);
    verdict.stands_at_the_target = worst.largest(kind, StandsFor::at_the_target);
  }
}

}  // namespace

tl::expected<ToleranceReport, CutShort> make_tolerance_report(const SearchProblem& problem, const Plan& plan,
                                                              const ErrorSizes& sizes,
                                                              const MonteCarloSettings& settings) {
  const Eigen::Vector3d centre_E = middle_of(problem.distance->exact().channel());
  const auto motions = motions_of(plan, MotionVerifier(problem.design, *problem.distance));
  const bool some_inside = std::any_of(motions.begin(), motions.end(),
                                       [](const PlannedMotion& motion) { return !motion.in_front; });
  const State& reached = plan.states[static_cast<std::size_t>(plan.reached_state)];
  WorstCase worst(problem, motions, reached, centre_E, settings.effort);
  ToleranceReport report;
  report.locks = problem.design.lock_count();
  report.seed = settings.seed;
  report.clearance_planned_mm = plan.clearance_mm;
  const double kept_without = worst.clearance_kept({});
  report.clearance_kept_mm = worst.clearance_kept(sizes);
  report.tip_tolerance_mm = problem.goal.tolerance_mm;
  report.tip_error_planned_mm = worst.tip_error({});
  report.tip_error_most_mm = worst.tip_error(sizes);
  const std::vector<DoubtfulMotion> doubtful = worst.doubtful(sizes);
  if (settings.effort.cut_short())
    return tl::unexpected(CutShort{"nothing", "the worst case; the benches; what each error takes alone"});
  const auto surely_clear = [&](const Bench& bench, std::size_t m) {
    const auto found = std::find_if(doubtful.begin(), doubtful.end(),
                                    [&](const auto& motion) { return motion.motion == m; });
    if (found == doubtful.end()) return true;
    const auto cells = worst.doubtful_on(*found, bench.errors());
    return cells && cells_keep_clear(bench, motions[m], found->parts, *cells, *problem.distance);
  };
  report.monte_carlo = run_monte_carlo(problem, motions, reached, centre_E, sizes, settings,
                                       hardware_asked(problem.design, plan), surely_clear);
  if (!settings.effort.cut_short()) judge_errors(worst, kept_without, sizes, some_inside, report);
  if (settings.effort.cut_short()) return tl::unexpected(cut_at_draws(report.monte_carlo, settings.draws));
  return report;
}

std::string tolerance_table(const ToleranceReport& report) {
  const MonteCarloResult& drawn = report.monte_carlo;
  std::string out = fmt::format(
      "clearance: {:.2f} mm as planned, {} under all errors at their worst at once\n"
      "tip error: {:.2f} mm as planned, at most {:.2f} mm, tolerance {:.2f} mm\n",
      report.clearance_planned_mm,
      report.clearance_kept_mm >= 0.0 ? fmt::format("at least {:.2f} mm", report.clearance_kept_mm)
                                      : std::string("none proved"),
      report.tip_error_planned_mm, report.tip_error_most_mm, report.tip_tolerance_mm);
  out += fmt::format("fails:     {}\n", interval_words(drawn.fail, drawn.fails, drawn.draws));
  out += fmt::format(
      "contact:   {}{}\nmiss:      {}\n", interval_words(drawn.contact, drawn.contacts, drawn.draws),
      drawn.close > 0 ? fmt::format(", {} more too close to tell", drawn.close) : std::string(),
      interval_words(drawn.miss, drawn.misses, drawn.draws));
  out += fmt::format("no notch:  {}\noverload:  {}\n",
                     interval_words(drawn.disengage, drawn.disengaged, drawn.draws),
                     interval_words(drawn.overload, drawn.overloads, drawn.draws));
  for (const double share : kShares) {
    const PercentileEstimate p = percentile(drawn.tip_error_mm, share);
    out += fmt::format("tip error, {:.0f} % of benches: up to {:.3f} mm ({} to {})\n", 100.0 * share, p.value,
                       end_words(p.low), end_words(p.high));
  }
  out += fmt::format("\n{:<26}  {:>9}  {:>10}  {:>8}  {:>16}  {:>14}  {:>14}\n", "error", "up to", "takes mm",
                     "tip mm", "tip share", "stood, wall", "stood, target");
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    const ErrorVerdict& e = report.errors[i];
    out +=
        fmt::format("{:<26}  {:>9.4g}  {:>10}  {:>8.3f}  {:>16}  {:>14}  {:>14}\n", error_names()[i].key,
                    in_file_unit(i, e.size),
                    std::isfinite(e.clearance_lost_mm) ? fmt::format("{:.3f}", e.clearance_lost_mm) : "all",
                    e.tip_moved_mm, share_words(e.tip_share), largest_words(i, e.stands_off_the_wall),
                    largest_words(i, e.stands_at_the_target));
  }
  out += drawn.tip_varies()
             ? fmt::format(
                   "tip share: of the tip error's variance, each error alone, with its interval; {:.0f} % "
                   "is left to what errors do together\n",
                   100.0 * drawn.tip_share_left())
             : "tip share: the tip error is the same on all benches, so no error has a share of it\n";
  if (report.usual_sizes)
    out +=
        "sizes: the scene's backlash, the others common practice on a bench (no source); give yours by "
        "--errors\n";
  return out;
}

std::string tolerance_json(const ToleranceReport& report) {
  const MonteCarloResult& drawn = report.monte_carlo;
  Json out;
  out["format"] = "withy-tolerance";
  out["version"] = 1;
  out["plan"] = report.plan_file;
  out["scene"] = {{"file", report.scene_file}, {"sha256", report.scene_sha256}};
  out["locks"] = report.locks;
  out["worst_case"] = {{"clearance_planned_mm", number(report.clearance_planned_mm)},
                       {"clearance_kept_mm", number(report.clearance_kept_mm)},
                       {"tip_error_planned_mm", number(report.tip_error_planned_mm)},
                       {"tip_error_most_mm", number(report.tip_error_most_mm)},
                       {"tip_tolerance_mm", number(report.tip_tolerance_mm)}};
  Json tip = Json::array();
  for (const double share : kShares) {
    const PercentileEstimate p = percentile(drawn.tip_error_mm, share);
    tip.push_back({{"share", share},
                   {"tip_error_mm", p.value},
                   {"low_mm", p.low ? Json(*p.low) : Json(nullptr)},
                   {"high_mm", p.high ? Json(*p.high) : Json(nullptr)}});
  }
  out["monte_carlo"] = {{"samples", drawn.draws},
                        {"seed", report.seed},
                        {"confidence", kConfidence},
                        {"fail", probability_json(drawn.fail, drawn.fails, drawn.draws)},
                        {"contact", probability_json(drawn.contact, drawn.contacts, drawn.draws)},
                        {"too_close_to_tell", drawn.close},
                        {"miss", probability_json(drawn.miss, drawn.misses, drawn.draws)},
                        {"disengage", probability_json(drawn.disengage, drawn.disengaged, drawn.draws)},
                        {"overload", probability_json(drawn.overload, drawn.overloads, drawn.draws)},
                        {"tip_error_share_left", drawn.tip_share_left()},
                        {"tip_error", std::move(tip)}};
  out["sizes"] = report.usual_sizes ? "usual" : "given";
  out["errors"] = Json::object();
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    const ErrorVerdict& e = report.errors[i];
    out["errors"][std::string(error_names()[i].key)] = {
        {"size", in_file_unit(i, e.size)},
        {"clearance_lost_mm", number(e.clearance_lost_mm)},
        {"tip_moved_mm", number(e.tip_moved_mm)},
        {"tip_error_first_order_index", e.tip_share.share},
        {"tip_error_first_order_low", e.tip_share.low},
        {"tip_error_first_order_high", e.tip_share.high},
        {"stands_off_the_wall", in_file_unit(i, e.stands_off_the_wall)},
        {"stands_at_the_target", in_file_unit(i, e.stands_at_the_target)}};
  }
  return out.dump(2) + "\n";
}

std::string tolerance_csv(const ToleranceReport& report) {
  std::string out =
      "error,size,clearance_lost_mm,tip_moved_mm,tip_error_first_order_index,stands_off_the_wall,stands_at_"
      "the_target\r\n";
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    const ErrorVerdict& e = report.errors[i];
    const Json lost = number(e.clearance_lost_mm);
    out += fmt::format("{},{},{},{},{},{},{}\r\n", csv_quoted(error_names()[i].key), in_file_unit(i, e.size),
                       lost.is_null() ? "" : lost.dump(), e.tip_moved_mm, e.tip_share.share,
                       in_file_unit(i, e.stands_off_the_wall), in_file_unit(i, e.stands_at_the_target));
  }
  return out;
}

}  // namespace withy
