// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/monte_carlo.h"

#include <algorithm>
#include <atomic>
#include <utility>

#include <oneapi/tbb/parallel_for.h>
#include <oneapi/tbb/task_arena.h>

#include "planner/effort/shares.h"

namespace withy {
namespace {

// Tip errors (mm) that differ by less than this are the same but for rounding.
constexpr double kSameTip_mm = 1e-9;

struct Pair {
  ErrorDraw a;
  ErrorDraw b;
};

/// The tip error of bench A, of B, and of A with each error in turn taken from B.
PairOfDraws tip_errors(const SearchProblem& problem, const State& reached,
                       const std::vector<PlannedSwitch>& way_in, const Eigen::Vector3d& centre_E,
                       const Eigen::MatrixXd& bend_per_pull, const Pair& pair) {
  const auto tip_error = [&](const ErrorDraw& draw) {
    const auto frozen = with_frozen_errors(problem.design, way_in, draw, centre_E, bend_per_pull);
    return Bench(problem.design, frozen.back(), centre_E, bend_per_pull).tip_error(reached, problem.goal);
  };
  PairOfDraws out{tip_error(pair.a), tip_error(pair.b), {}};
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    ErrorDraw mixed = pair.a;
    mixed.take(static_cast<ErrorKind>(i), pair.b);
    out.at_ab.push_back(tip_error(mixed));
  }
  return out;
}

/// What happened on one bench.
struct OnBench {
  Contact contact = Contact::clear;
  bool misses = false;
  bool disengaged = false;
  bool overloads = false;
};

OnBench run_bench(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                  const State& reached, const Hardware& hardware, const HardwareAsked& asked,
                  const SurelyClear& surely_clear, const Bench& bench) {
  OnBench out;
  for (std::size_t m = 0; m < motions.size() && out.contact != Contact::touches; ++m) {
    if (motions[m].sweep && surely_clear && surely_clear(bench, m)) continue;
    out.contact = std::max(out.contact, bench.contact(motions[m], *problem.distance));
  }
  out.misses = !bench.hits(reached, problem.goal);
  const BenchHardware on_bench(hardware, bench);
  for (const PlannedSwitch& planned : asked.switches) {
    out.disengaged = out.disengaged || !on_bench.engages(planned);
    out.overloads = out.overloads || !on_bench.switches(planned);
  }
  for (const State& state : asked.states) out.overloads = out.overloads || !on_bench.keeps_limits(state);
  return out;
}

/// What happened on a bench with any of these errors, each its own for some part of the plan.
OnBench& operator|=(OnBench& a, const OnBench& b) {
  a.contact = std::max(a.contact, b.contact);
  a.misses = a.misses || b.misses;
  a.disengaged = a.disengaged || b.disengaged;
  a.overloads = a.overloads || b.overloads;
  return a;
}

}  // namespace

bool MonteCarloResult::tip_varies() const {
  return !tip_error_mm.empty() && tip_error_mm.back() - tip_error_mm.front() > kSameTip_mm;
}

double MonteCarloResult::tip_share_left() const {
  if (!tip_varies()) return 0.0;
  double left = 1.0;
  for (const SensitivityIndex& index : tip_share) left -= index.share;
  return std::max(0.0, left);
}

HardwareAsked hardware_asked(const Design& design, const Plan& plan) {
  HardwareAsked asked{switches_in(design, plan), states_in(plan), {}};
  for (const PlannedSwitch& planned : asked.switches)
    if (plan.actions[static_cast<std::size_t>(planned.action)].leg == Leg::in)
      asked.way_in.push_back(planned);
  for (State& rim : swept_rims(design, plan)) asked.states.push_back(std::move(rim));
  return asked;
}

namespace {

std::vector<Pair> draw_pairs(const Design& design, const ErrorSizes& sizes, std::size_t count,
                             std::mt19937_64& generator) {
  std::vector<Pair> pairs;
  for (std::size_t i = 0; i < count; ++i) {
    ErrorDraw a = draw_errors(design, sizes, generator);
    ErrorDraw b = draw_errors(design, sizes, generator);
    pairs.push_back({std::move(a), std::move(b)});
  }
  return pairs;
}

/// What the draws come to. Precondition: two or more.
MonteCarloResult tallied(const std::vector<OnBench>& benches, const std::vector<PairOfDraws>& tips) {
  MonteCarloResult result;
  result.draws = static_cast<int>(benches.size());
  for (const OnBench& bench : benches) {
    result.contacts += bench.contact == Contact::touches;
    result.close += bench.contact == Contact::close;
    result.misses += bench.misses;
    result.disengaged += bench.disengaged;
    result.overloads += bench.overloads;
    result.fails += bench.contact != Contact::clear || bench.misses || bench.disengaged || bench.overloads;
  }
  for (const PairOfDraws& tip : tips) result.tip_error_mm.push_back(tip.at_a);
  std::sort(result.tip_error_mm.begin(), result.tip_error_mm.end());
  result.contact = {clopper_pearson(result.contacts, result.draws).low,
                    clopper_pearson(result.contacts + result.close, result.draws).high};
  result.miss = clopper_pearson(result.misses, result.draws);
  result.disengage = clopper_pearson(result.disengaged, result.draws);
  result.overload = clopper_pearson(result.overloads, result.draws);
  result.fail = clopper_pearson(result.fails, result.draws);
  if (!result.tip_varies()) {
    result.tip_share.fill({0.0, 0.0, 0.0});
    return result;
  }
  const auto shares = first_order_indices(tips);
  std::copy(shares.begin(), shares.end(), result.tip_share.begin());
  return result;
}

}  // namespace

std::size_t draws_together() {
  return shares::kDrawsEach * static_cast<std::size_t>(tbb::this_task_arena::max_concurrency());
}

MonteCarloResult run_monte_carlo(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                                 const State& reached, const Eigen::Vector3d& channel_centre_E,
                                 const ErrorSizes& sizes, const MonteCarloSettings& settings,
                                 const HardwareAsked& asked, const SurelyClear& surely_clear) {
  std::mt19937_64 generator(settings.seed);
  const auto all = static_cast<std::size_t>(std::max(0, settings.draws));
  std::vector<PairOfDraws> tips;
  std::vector<OnBench> benches;
  const Hardware hardware(problem.design);
  const Eigen::MatrixXd bend_per_pull = bend_from_pulls(problem.design);
  std::atomic<int> done{0};
  while (benches.size() < all) {
    const std::size_t from = benches.size();
    const std::size_t count = std::min(draws_together(), all - from);
    const std::vector<Pair> pairs = draw_pairs(problem.design, sizes, count, generator);
    tips.resize(from + count);
    benches.resize(from + count);
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t i) {
      if (settings.effort.cut_short()) return;
      tips[from + i] = tip_errors(problem, reached, asked.way_in, channel_centre_E, bend_per_pull, pairs[i]);
      for (const ErrorDraw& errors :
           with_frozen_errors(problem.design, asked.switches, pairs[i].a, channel_centre_E, bend_per_pull))
        benches[from + i] |= run_bench(problem, motions, reached, hardware, asked, surely_clear,
                                       Bench(problem.design, errors, channel_centre_E, bend_per_pull));
      settings.progress(static_cast<double>(++done) / settings.draws);
    });
    if (!settings.effort.cut_short()) continue;
    tips.resize(from);
    benches.resize(from);
    break;
  }
  MonteCarloResult few;
  few.draws = static_cast<int>(benches.size());
  return benches.size() < 2 ? few : tallied(benches, tips);
}

}  // namespace withy
