// SPDX-License-Identifier: GPL-3.0-or-later
// What a number of draws says, and how surely.
#pragma once

#include <array>
#include <functional>
#include <optional>
#include <random>
#include <vector>

namespace withy {

/// The confidence of every interval here.
inline constexpr double kConfidence = 0.95;

/// Interval of a probability. Holds it with at least kConfidence.
struct ProbabilityInterval {
  double low = 0.0;
  double high = 1.0;
};

/// From `hits` of `draws`: exact binomial tails (C. J. Clopper and E. S. Pearson, "The use of confidence or
/// fiducial limits illustrated in the case of the binomial", Biometrika 26(4), 1934). Precondition: 0 <= hits
/// <= draws > 0.
ProbabilityInterval clopper_pearson(int hits, int draws);

/// A percentile with its interval; an end is absent where the draws are too few to tell.
struct PercentileEstimate {
  double value = 0.0;
  std::optional<double> low;
  std::optional<double> high;
};

/// The share-quantile of the distribution that `ascending` was drawn from: the order statistic of rank ceil(n
/// share), and an interval between two order statistics whose ranks are binomial quantiles, whatever the
/// distribution (H. A. David and H. N. Nagaraja, "Order Statistics", 3rd ed., 2003, section 7.1).
PercentileEstimate percentile(const std::vector<double>& ascending, double share);

/// A first-order index: the share of the variance that goes when one input is known (I. M. Sobol, 1993),
/// never below 0, with its interval of kConfidence by the normal law, cut to [0, 1].
struct SensitivityIndex {
  double share = 0.0;
  double low = 0.0;
  double high = 1.0;
};

/// First-order indices of a function of several independent inputs, by the efficient estimator of A. Janon,
/// T. Klein, A. Lagnoux, M. Nodet and C. Prieur, "Asymptotic normality and efficiency of two Sobol index
/// estimators", ESAIM: Probability and Statistics 18, 2014: with Y = f(B) and Y_i = f(AB_i), AB_i being A
/// with input i taken from B,
///     m = mean((Y + Y_i) / 2),   V = mean((Y^2 + Y_i^2) / 2) - m^2,   S = (mean(Y Y_i) - m^2) / V,
/// its variance over the draws that of (Y - m)(Y_i - m) - S ((Y - m)^2 + (Y_i - m)^2) / 2, over V^2. Zeros
/// where the function does not vary.
struct PairOfDraws {
  double at_a = 0.0;
  double at_b = 0.0;
  std::vector<double> at_ab;  ///< one for each input
};
std::vector<SensitivityIndex> first_order_indices(const std::vector<PairOfDraws>& draws);

}  // namespace withy
