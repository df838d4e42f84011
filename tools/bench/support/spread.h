// SPDX-License-Identifier: GPL-3.0-or-later
// Many measurements as a median with the tenth and ninetieth percentile.
#pragma once

#include <vector>

namespace withy::bench {

struct Spread {
  double p10 = 0.0;
  double median = 0.0;
  double p90 = 0.0;
  int samples = 0;
};

/// Each percentile is the sample nearest in rank. All zero for no samples.
Spread spread_of(std::vector<double> samples);

}  // namespace withy::bench
