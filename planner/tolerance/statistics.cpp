// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/statistics.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <boost/math/distributions/binomial.hpp>
#include <boost/math/distributions/normal.hpp>

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

namespace {

SensitivityIndex index_of(const std::vector<PairOfDraws>& draws, std::size_t i) {
  const double n = static_cast<double>(draws.size());
  double m = 0.0;
  for (const PairOfDraws& d : draws) m += (d.at_b + d.at_ab[i]) / (2.0 * n);
  double V = 0.0;
  double covariance = 0.0;
  for (const PairOfDraws& d : draws) {
    const double y = d.at_b - m;
    const double yi = d.at_ab[i] - m;
    V += 0.5 * (y * y + yi * yi) / n;
    covariance += y * yi / n;
  }
  if (!(V > 0.0)) return {0.0, 0.0, 0.0};
  const double S = covariance / V;
  double variance = 0.0;
  for (const PairOfDraws& d : draws) {
    const double y = d.at_b - m;
    const double yi = d.at_ab[i] - m;
    const double term = y * yi - 0.5 * S * (y * y + yi * yi);  // its mean is 0
    variance += term * term / n;
  }
  const double quantile = boost::math::quantile(boost::math::normal(), 1.0 - kTail);
  const double half = quantile * std::sqrt(variance / n) / V;
  const auto share = [](double x) { return std::clamp(x, 0.0, 1.0); };
  return {share(S), share(S - half), share(S + half)};
}

}  // namespace

std::vector<SensitivityIndex> first_order_indices(const std::vector<PairOfDraws>& draws) {
  assert(draws.size() > 1);
  std::vector<SensitivityIndex> indices;
  for (std::size_t i = 0; i < draws.front().at_ab.size(); ++i) indices.push_back(index_of(draws, i));
  return indices;
}

}  // namespace withy
