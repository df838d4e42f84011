// SPDX-License-Identifier: GPL-3.0-or-later
// Progress on standard error: a bar that redraws itself on a terminal, a line every few seconds elsewhere,
// nothing when quiet. It counts time on a thread of its own, so the work it reports on needs no calls in its
// loops.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

namespace withy {

class Progress {
 public:
  explicit Progress(bool quiet);
  ~Progress();
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;

  /// What goes on from now: "reading the mesh". With a budget the bar fills with the time spent of it.
  void stage(std::string what, std::optional<double> budget_s = std::nullopt);

  /// What has come of the stage so far: "12 of 40 done". Its clock runs on.
  void note(std::string what);

  /// How much of the stage is done, 0 to 1, where that is known.
  void fraction(double done);

 private:
  using Clock = std::chrono::steady_clock;
  void tick();
  void show(const std::string& what, double elapsed_s, std::optional<double> done) const;

  bool terminal_;
  std::mutex mutex_;
  std::condition_variable wake_;
  bool finished_ = false;
  std::string what_;
  std::string note_;
  std::optional<double> budget_s_;
  std::optional<double> done_;
  Clock::time_point since_ = Clock::now();
  std::thread ticker_;  // last: it uses all of the above
};

}  // namespace withy
