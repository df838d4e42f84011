// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/statistics.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <catch2/catch.hpp>

using namespace withy;

namespace {

/// Binomial probabilities by their recurrence, not by a library.
std::vector<double> binomial(int n, double p) {
  std::vector<double> mass(static_cast<std::size_t>(n) + 1);
  mass[0] = std::pow(1.0 - p, n);
  for (int k = 1; k <= n; ++k)
    mass[static_cast<std::size_t>(k)] =
        mass[static_cast<std::size_t>(k) - 1] * (n - k + 1) / k * p / (1.0 - p);
  return mass;
}

}  // namespace

TEST_CASE("a probability's interval has the ends that Clopper and Pearson give it") {
  // No hits: the upper end solves (1 - p)^n = 0.025.
  CHECK(clopper_pearson(0, 10).low == 0.0);
  CHECK(std::abs(clopper_pearson(0, 10).high - (1.0 - std::pow(0.025, 0.1))) < 1e-9);
  CHECK(std::abs(clopper_pearson(300, 300).low - std::pow(0.025, 1.0 / 300.0)) < 1e-9);
  CHECK(clopper_pearson(300, 300).high == 1.0);
  // R. G. Newcombe, "Two-sided confidence intervals for the single proportion: comparison of seven methods",
  // Statistics in Medicine 17, 1998, table I, method 5 (the exact one), to four decimals.
  constexpr double kPrinted = 0.5e-4 + 1e-12;  // half of the last digit that is printed
  struct Published {
    int hits, draws;
    double low, high;
  };
  for (const Published& row : {Published{81, 263, 0.2527, 0.3676}, Published{15, 148, 0.0578, 0.1617},
                               Published{0, 20, 0.0, 0.1684}, Published{1, 29, 0.0009, 0.1776}}) {
    CAPTURE(row.hits, row.draws);
    CHECK(std::abs(clopper_pearson(row.hits, row.draws).low - row.low) <= kPrinted);
    CHECK(std::abs(clopper_pearson(row.hits, row.draws).high - row.high) <= kPrinted);
  }
  // 1 and 5 of 10, as tables of exact binomial limits have them (from memory).
  CHECK(std::abs(clopper_pearson(1, 10).low - 0.0025) < 5e-5);
  CHECK(std::abs(clopper_pearson(1, 10).high - 0.4450) < 5e-5);
  CHECK(std::abs(clopper_pearson(5, 10).low - 0.1871) < 5e-5);
  CHECK(std::abs(clopper_pearson(5, 10).high - 0.8129) < 5e-5);
}

TEST_CASE("a probability's interval holds it at least as often as it says") {
  constexpr int kDraws = 25;
  for (double p = 0.02; p < 1.0; p += 0.02) {
    const auto mass = binomial(kDraws, p);
    double covered = 0.0;
    for (int hits = 0; hits <= kDraws; ++hits) {
      const ProbabilityInterval interval = clopper_pearson(hits, kDraws);
      if (interval.low <= p && p <= interval.high) covered += mass[static_cast<std::size_t>(hits)];
    }
    INFO("p = " << p);
    CHECK(covered >= kConfidence);
  }
}

TEST_CASE("a median's interval lies between the order statistics that tables give") {
  // Sign test intervals for the median: of 10 the 2nd and 9th, of 6 the 1st and 6th, of 5 none (H. A. David
  // and H. N. Nagaraja, "Order Statistics", 3rd ed., 2003, section 7.1; from memory, and plain to compute:
  // 2^-5 > 0.025).
  const PercentileEstimate ten = percentile({1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, 0.5);
  CHECK(ten.value == 5.0);
  CHECK(ten.low == 2.0);
  CHECK(ten.high == 9.0);
  const PercentileEstimate six = percentile({1, 2, 3, 4, 5, 6}, 0.5);
  CHECK(six.low == 1.0);
  CHECK(six.high == 6.0);
  const PercentileEstimate five = percentile({1, 2, 3, 4, 5}, 0.5);
  CHECK_FALSE(five.low);
  CHECK_FALSE(five.high);
}

namespace {

/// Draws of 3 x_0 + 2 x_1 + x_3, all x even in [-1, 1].
std::vector<PairOfDraws> draws_of_a_sum(int count, std::mt19937_64& random) {
  const std::vector<double> weights = {3.0, 2.0, 0.0, 1.0};
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  const auto sum = [&](const std::vector<double>& x) {
    double total = 0.0;
    for (std::size_t i = 0; i < x.size(); ++i) total += weights[i] * x[i];
    return total;
  };
  std::vector<PairOfDraws> draws(static_cast<std::size_t>(count));
  for (PairOfDraws& draw : draws) {
    std::vector<double> a(weights.size());
    std::vector<double> b(weights.size());
    for (double& x : a) x = even(random);
    for (double& x : b) x = even(random);
    draw.at_a = sum(a);
    draw.at_b = sum(b);
    for (std::size_t i = 0; i < weights.size(); ++i) {
      auto mixed = a;
      mixed[i] = b[i];
      draw.at_ab.push_back(sum(mixed));
    }
  }
  return draws;
}

}  // namespace

TEST_CASE("the first-order indices of a weighted sum are the shares of the weights' squares") {
  const std::uint64_t seed = 7;
  INFO("seed " << seed);
  std::mt19937_64 random(seed);
  const std::array exact = {9.0 / 14.0, 4.0 / 14.0, 0.0, 1.0 / 14.0};  // 9 + 4 + 1 = 14
  // Standard error of each about 1 / sqrt(40000).
  const auto close = first_order_indices(draws_of_a_sum(40000, random));
  for (std::size_t i = 0; i < exact.size(); ++i) CHECK(std::abs(close[i].share - exact[i]) < 0.03);
  // Their intervals hold the exact shares 95 times of 100: of 300, all but 15, the standard error of which is
  // 3.8.
  constexpr int kRounds = 300;
  std::array<int, 4> held{};
  for (int round = 0; round < kRounds; ++round) {
    const auto indices = first_order_indices(draws_of_a_sum(1000, random));
    for (std::size_t i = 0; i < exact.size(); ++i) {
      CHECK(0.0 <= indices[i].low);
      CHECK(indices[i].low <= indices[i].share);
      CHECK(indices[i].share <= indices[i].high);
      CHECK(indices[i].high - indices[i].low < 0.2);
      held[i] += indices[i].low <= exact[i] && exact[i] <= indices[i].high;
    }
  }
  for (std::size_t i = 0; i < exact.size(); ++i) {
    CAPTURE(i, held[i]);
    CHECK(held[i] >= kRounds - 15 - 16);
  }
}
