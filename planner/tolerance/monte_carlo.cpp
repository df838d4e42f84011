// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/monte_carlo.h"

#include <algorithm>
#include <atomic>

#include <oneapi/tbb/parallel_for.h>

namespace withy {
namespace {

struct Pair {
  ErrorDraw a;
  ErrorDraw b;
};

/// The tip error of bench A, of B, and of A with each error in turn taken from B.
PairOfDraws tip_errors(const SearchProblem& problem, const State& reached, const Eigen::Vector3d& centre_E,
                       const Pair& pair) {
  const auto tip_error = [&](const ErrorDraw& draw) {
    return Bench(problem.design, draw, centre_E).tip_error(reached, problem.goal);
  };
  PairOfDraws out{tip_error(pair.a), tip_error(pair.b), {}};
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    ErrorDraw mixed = pair.a;
    mixed.take(static_cast<ErrorKind>(i), pair.b);
    out.at_ab.push_back(tip_error(mixed));
  }
  return out;
}

}  // namespace

MonteCarloResult run_monte_carlo(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                                 const State& reached, const Eigen::Vector3d& channel_centre_E,
                                 const ErrorSizes& sizes, const MonteCarloSettings& settings) {
  std::mt19937_64 generator(settings.seed);
  std::vector<Pair> pairs;
  for (int i = 0; i < settings.draws; ++i) {
    ErrorDraw a = draw_errors(problem.design, sizes, generator);
    ErrorDraw b = draw_errors(problem.design, sizes, generator);
    pairs.push_back({std::move(a), std::move(b)});
  }
  std::vector<PairOfDraws> tips(pairs.size());
  std::vector<Contact> contact(pairs.size());
  std::atomic<int> done{0};
  tbb::parallel_for(std::size_t{0}, pairs.size(), [&](std::size_t i) {
    tips[i] = tip_errors(problem, reached, channel_centre_E, pairs[i]);
    const Bench bench(problem.design, pairs[i].a, channel_centre_E);
    for (const PlannedMotion& motion : motions) {
      if (contact[i] == Contact::touches) break;
      contact[i] = std::max(contact[i], bench.contact(motion, *problem.distance));
    }
    settings.progress(static_cast<double>(++done) / settings.draws);
  });

  MonteCarloResult result;
  result.draws = settings.draws;
  result.contacts = static_cast<int>(std::count(contact.begin(), contact.end(), Contact::touches));
  result.close = static_cast<int>(std::count(contact.begin(), contact.end(), Contact::close));
  for (const PairOfDraws& tip : tips) result.tip_error_mm.push_back(tip.at_a);
  std::sort(result.tip_error_mm.begin(), result.tip_error_mm.end());
  result.misses = static_cast<int>(std::count_if(result.tip_error_mm.begin(), result.tip_error_mm.end(),
                                                 [&](double e) { return e > problem.goal.tolerance_mm; }));
  result.contact = {clopper_pearson(result.contacts, result.draws).low,
                    clopper_pearson(result.contacts + result.close, result.draws).high};
  result.miss = clopper_pearson(result.misses, result.draws);
  const auto shares = first_order_indices(tips);
  std::copy(shares.begin(), shares.end(), result.tip_share.begin());
  return result;
}

}  // namespace withy
