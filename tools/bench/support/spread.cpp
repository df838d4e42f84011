// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/support/spread.h"

#include <algorithm>

namespace withy::bench {

Spread spread_of(std::vector<double> samples) {
  if (samples.empty()) return {};
  std::sort(samples.begin(), samples.end());
  const auto at = [&](double part) {
    return samples[static_cast<std::size_t>(part * static_cast<double>(samples.size() - 1) + 0.5)];
  };
  return {at(0.1), at(0.5), at(0.9), static_cast<int>(samples.size())};
}

}  // namespace withy::bench
