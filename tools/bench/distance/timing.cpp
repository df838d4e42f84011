// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/distance/timing.h"

#include <chrono>
#include <utility>
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
  return spread_of(std::move(samples));
}

}  // namespace withy::bench
