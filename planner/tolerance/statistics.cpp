// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/statistics.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <boost/math/distributions/binomial.hpp>

namespace withy {
namespace {

using Binomial = boost::math::binomial_distribution<double>;
constexpr double kTail = 0.5 * (1.0 - kConfidence);

}  // namespace

ProbabilityInterval clopper_pearson(int hits, int draws) {
  assert(hits >= 0 && hits <= draws && draws > 0);
  return {hits == 0 ? 0.0 : Binomial::find_lower_bound_on_p(draws, hits, kTail),
          hits == draws ? 1.0 : Binomial::find_upper_bound_on_p(draws, hits, kTail)};
}

PercentileEstimate percentile(const std::vector<double>& ascending, double share) {
  assert(!ascending.empty() && share > 0.0 && share < 1.0);
  const int n = static_cast<int>(ascending.size());
  const auto at_rank = [&](int rank) { return ascending[static_cast<std::size_t>(rank - 1)]; };
  PercentileEstimate estimate;
  estimate.value = at_rank(std::max(1, static_cast<int>(std::ceil(n * share - 1e-9))));
  // The quantile lies below the r-th order statistic when fewer than r draws lie below the quantile.
  const Binomial below(n, share);
  for (int r = 1; r <= n && cdf(below, r - 1) <= kTail; ++r) estimate.low = at_rank(r);
  for (int r = n; r >= 1 && cdf(below, r - 1) >= 1.0 - kTail; --r) estimate.high = at_rank(r);
  return estimate;
}

std::vector<double> first_order_indices(const std::vector<PairOfDraws>& draws) {
  assert(draws.size() > 1);
  const double n = static_cast<double>(draws.size());
  double mean = 0.0;
  for (const PairOfDraws& d : draws) mean += (d.at_a + d.at_b) / (2.0 * n);
  double variance = 0.0;
  for (const PairOfDraws& d : draws)
    variance += ((d.at_a - mean) * (d.at_a - mean) + (d.at_b - mean) * (d.at_b - mean)) / (2.0 * n - 1.0);
  std::vector<double> indices(draws.front().at_ab.size(), 0.0);
  if (!(variance > 0.0)) return indices;
  for (std::size_t i = 0; i < indices.size(); ++i) {
    // Taking the mean off f(B) leaves the expectation as it is and less of the noise.
    double sum = 0.0;
    for (const PairOfDraws& d : draws) sum += (d.at_b - mean) * (d.at_ab[i] - d.at_a);
    indices[i] = sum / n / variance;
  }
  return indices;
}

}  // namespace withy
