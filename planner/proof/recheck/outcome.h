// SPDX-License-Identifier: GPL-3.0-or-later
// What a check came to.
#pragma once

#include <atomic>
#include <mutex>
#include <string>
#include <string_view>

namespace withy::recheck {

enum class Verdict { holds, does_not_hold, could_not_decide };

/// In words, as it is printed and as plans keep it.
inline std::string_view name_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::holds:
      return "holds";
    case Verdict::does_not_hold:
      return "does not hold";
    case Verdict::could_not_decide:
      return "could not decide";
  }
  return "";
}

struct Outcome {
  Verdict verdict = Verdict::holds;
  std::string why;  ///< empty where it holds
};

/// Why a check that was stopped could not decide.
inline constexpr const char* kStopped = "all of it before it was stopped";

/// The worst of many, gathered from several threads: the first thing found wrong ends everything.
class Gathered {
 public:
  bool over() const { return over_.load(std::memory_order_relaxed); }
  void does_not_hold(const std::string& why) {
    const std::lock_guard lock(mutex_);
    if (outcome_.verdict != Verdict::does_not_hold) outcome_ = {Verdict::does_not_hold, why};
    over_ = true;
  }
  void could_not_decide(const std::string& why) {
    const std::lock_guard lock(mutex_);
    if (outcome_.verdict == Verdict::holds) outcome_ = {Verdict::could_not_decide, why};
    if (++undecided_ >= kMostUndecided) over_ = true;
  }
  Outcome outcome() const {
    const std::lock_guard lock(mutex_);
    return outcome_;
  }

 private:
  // After so many places that could not be decided nothing better comes of going on.
  static constexpr int kMostUndecided = 3;
  mutable std::mutex mutex_;
  std::atomic<bool> over_{false};
  int undecided_ = 0;
  Outcome outcome_;
};

}  // namespace withy::recheck
