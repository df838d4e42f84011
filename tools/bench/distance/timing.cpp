// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/distance/timing.h"

#include <algorithm>
#include <chrono>
#include <vector>

namespace withy::bench {

namespace {
volatile double kept;
}  // namespace

void keep(double value) {
  kept = value;
}

Spread time_calls(const std::function<void(int)>& run, int batch, double seconds) {
  using Clock = std::chrono::steady_clock;
  const auto microseconds = [](Clock::duration d) {
    return std::chrono::duration<double, std::micro>(d).count();
  };
  std::vector<double> samples;
  int call = 0;
  const auto begin = Clock::now();
  while (samples.size() < 3 || microseconds(Clock::now() - begin) < 1e6 * seconds) {
    const auto start = Clock::now();
    for (int i = 0; i < batch; ++i) run(call++);
    samples.push_back(microseconds(Clock::now() - start) / batch);
  }
  std::sort(samples.begin(), samples.end());
  const auto at = [&](double part) {
    return samples[static_cast<std::size_t>(part * static_cast<double>(samples.size() - 1) + 0.5)];
  };
  return {at(0.1), at(0.5), at(0.9), static_cast<int>(samples.size())};
}

}  // namespace withy::bench
