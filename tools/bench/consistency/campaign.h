// SPDX-License-Identifier: GPL-3.0-or-later
// Many questions, each asked in many ways; what contradicts is a failure.
//
// A contradiction is: one way says reached (with a plan) where another says unreachable; a walk of the plain
// implementation from a goal state to the start where unreachable was said; a plan that the plain replay
// rejects. "Undecided" contradicts nothing; it is counted, and so are routes that a search found and that did
// not stand when they were verified.
#pragma once

#include <atomic>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <mutex>
#include <string>
#include <vector>

#include "tools/bench/consistency/ledger.h"
#include "tools/bench/consistency/ways.h"

namespace withy::consistency {

struct CampaignSettings {
  std::uint64_t seed = 1;
  long first = 0;
  long questions = 100;
  int threads = 1;
  Budget budget;
  long attack_looks = 1200;  ///< at states, for each "unreachable"
  std::filesystem::path failures = "consistency-failures";
  std::function<bool()> stop = [] { return false; };
};

class Campaign {
 public:
  explicit Campaign(CampaignSettings settings) : settings_(std::move(settings)) {}

  /// Asks until the questions or the time are over.
  void run();

  const Ledger& ledger() const { return ledger_; }

 private:
  void work();
  void ask_about_channel(long group);

  CampaignSettings settings_;
  std::atomic<long> next_group_{0};
  std::mutex mutex_;
  Ledger ledger_;
};

}  // namespace withy::consistency
