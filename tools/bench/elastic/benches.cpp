// SPDX-License-Identifier: GPL-3.0-or-later
// Tables of benches that are drawn.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

#include <boost/math/distributions/binomial.hpp>
#include <fmt/core.h>

#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_report.h"
#include "tests/planner/elastic/plain_plant.h"
#include "tests/planner/fit/elastic_benches.h"
#include "tools/bench/elastic/tables.h"
#include "tools/bench/support/machine.h"
#include "tools/bench/support/spread.h"

namespace withy::bench {
namespace {

/// Noise of the tables that are fitted: a tip read to a fifth of a millimetre, a load cell of a twentieth of
/// a newton. Chosen, as in tests/planner/fit/elastic_fit_test.cpp.
constexpr double kTip_mm = 0.2;
constexpr double kTension_N = 0.05;
constexpr int kPoses = 12;
/// Rows of the tables whose intervals are counted.
constexpr int kCountedPoses = 9;
/// Steps of the plain body (mm of the ideal tip's way).
constexpr double kPlainStep_mm = 4.0;

/// The numbers of the body that a fit finds, in its order.
constexpr std::size_t kNumbers = 5;
using Shares = std::array<double, kNumbers>;

/// Standard deviations that one fit leaves, as shares of the scene's numbers; 0 of what it can't tell, or not
/// to within its size: locks that stay in the guide say nothing of backbones.
std::optional<Shares> left_open(const Design& design, std::mt19937& engine) {
  Measurements table = withy_test::poses(
      design, kPoses, engine, 0.6 * std::min(design.length_mm(), design.carriage().insertion_max_mm));
  withy_test::measure(design.parts(), table, kTip_mm, kTension_N, engine);
  const auto fit =
      fit_elastic(design, Eigen::Isometry3d::Identity(), table, withy_test::known_noise(kTip_mm, kTension_N));
  if (!fit) return std::nullopt;
  Shares shares{};
  for (std::size_t k = 0; k < kNumbers; ++k) {
    const FittedParameter& p = fit->parameters[k];
    if (p.determined && p.deviation < p.before) shares[k] = p.deviation / p.before;
  }
  return shares;
}

Design drawn_bench(const Design& design, const Shares& shares, std::mt19937& engine) {
  std::normal_distribution<double> normal;
  const auto factor = [&](std::size_t k) { return std::max(0.1, 1.0 + shares[k] * normal(engine)); };
  withy_test::Truth truth;
  truth.rigidity = factor(0);
  truth.friction = factor(1);
  truth.tendon_EA = factor(2);
  truth.backbone_EA = factor(3);
  truth.mass = factor(4);
  return withy_test::made(withy_test::with_truth(design.parts(), truth));
}

/// Over all plans.
struct PullsTally {
  std::vector<double> ideal_mm, compensated_mm, ratio;
};

void print_pulls_row(const PlannedQuestion& question, const Plan& plan, const PullsSettings& settings,
                     PullsTally& tally) {
  const Design& design = question.problem.design;
  std::mt19937 engine(static_cast<std::uint32_t>(settings.seed));
  const auto shares = left_open(design, engine);
  const ElasticTarget target = elastic_target(question.prepared.scene);
  const Compensation made = compensate(design, plan, target, {});
  fmt::print("{:<13}{:>2}", question.scene, design.lock_count());
  if (!shares || made.fault) {
    fmt::print("  {}\n", shares ? "no compensated pulls were found" : "the fit did not settle");
    return;
  }
  std::vector<double> ideal_mm, compensated_mm;
  for (int i = 0; i < settings.benches; ++i) {
    const Design bench = drawn_bench(design, *shares, engine);
    withy_test::PlainPlant plant(bench, design, plan, kPlainStep_mm);
    const auto ideal = plant.tip_E({});
    const auto compensated = plant.tip_E(made.corrections);
    if (!ideal || !compensated) continue;
    ideal_mm.push_back((*ideal - target.point_E).norm());
    compensated_mm.push_back((*compensated - target.point_E).norm());
    tally.ratio.push_back(ideal_mm.back() / compensated_mm.back());
  }
  const Spread a = spread_of(ideal_mm), b = spread_of(compensated_mm);
  for (const double share : *shares) fmt::print("{:>7.1f}", 100.0 * share);
  fmt::print("{:>8}{:>8.2f}{:>7.2f}{:>8.2f}{:>7.2f}{:>8.1f}\n", a.samples, a.median, a.p90, b.median, b.p90,
             b.median > 0.0 ? a.median / b.median : 0.0);
  std::fflush(stdout);
  tally.ideal_mm.insert(tally.ideal_mm.end(), ideal_mm.begin(), ideal_mm.end());
  tally.compensated_mm.insert(tally.compensated_mm.end(), compensated_mm.begin(), compensated_mm.end());
}

}  // namespace

bool print_pulls(const ElasticQuestions& questions, const PullsSettings& settings) {
  fmt::print(
      "seed {}; what a fit of {} poses leaves open of rigidity, friction, tendons, backbones, mass (standard "
      "deviation, %); benches followed; miss of the target, mm, with ideal and with compensated pulls: "
      "median, "
      "90 %; times smaller\n",
      settings.seed, kPoses);
  PullsTally tally;
  const bool read = for_each_question(questions, [&](const PlannedQuestion& question) {
    if (const auto plan = asked_plan(questions, question)) print_pulls_row(question, *plan, settings, tally);
  });
  const Spread a = spread_of(tally.ideal_mm), b = spread_of(tally.compensated_mm), r = spread_of(tally.ratio);
  fmt::print(
      "all: {} benches, miss {:.2f} mm with ideal pulls, {:.2f} with compensated ones (medians); {:.1f} "
      "times smaller in the median, {:.1f} at the tenth percentile\n",
      a.samples, a.median, b.median, r.median, r.p10);
  return read;
}

void print_fits(const FitsSettings& settings) {
  const DesignParts scene = withy_test::usual_parts({50.0});
  const Design design = withy_test::made(scene);
  std::mt19937 engine(static_cast<std::uint32_t>(settings.seed));
  std::array<int, kNumbers> held{}, asked{};
  std::array<std::vector<double>, kNumbers> shares;
  std::vector<std::string> names = elastic_parameter_names();
  int unsettled = 0;
  const double begin = processor_seconds();
  for (int run = 0; run < settings.fits; ++run) {
    Measurements table = withy_test::poses(design, kCountedPoses, engine);
    withy_test::measure(scene, table, kTip_mm, kTension_N, engine);
    const auto fit = fit_elastic(design, Eigen::Isometry3d::Identity(), table,
                                 withy_test::known_noise(kTip_mm, kTension_N));
    unsettled += fit ? 0 : 1;
    for (std::size_t k = 0; fit && k < kNumbers; ++k) {
      const FittedParameter& p = fit->parameters[k];
      if (!p.determined) continue;
      ++asked[k];
      held[k] += p.low <= p.before && p.before <= p.high ? 1 : 0;
      shares[k].push_back(100.0 * p.deviation / p.before);
    }
  }
  fmt::print(
      "seed {}, {} fits of {} poses, {:.2f} s of processor time each, {} did not settle\n"
      "{:<26}{:>7}{:>7}{:>9}{:>18}{:>14}\n",
      settings.seed, settings.fits, kCountedPoses, (processor_seconds() - begin) / std::max(1, settings.fits),
      unsettled, "", "told", "hold", "share", "binomial, 99 %", "std dev, %");
  for (std::size_t k = 0; k < kNumbers; ++k) {
    if (asked[k] == 0) continue;
    const boost::math::binomial_distribution<> right(asked[k], 0.95);
    fmt::print("{:<26}{:>7}{:>7}{:>9.4f}{:>9.0f} to{:>6.0f}{:>14.2f}\n", names[k], asked[k], held[k],
               static_cast<double>(held[k]) / asked[k], boost::math::quantile(right, 0.005),
               boost::math::quantile(right, 0.995), spread_of(shares[k]).median);
  }
}

}  // namespace withy::bench
