// SPDX-License-Identifier: GPL-3.0-or-later
// What may be spent on one piece of work, and whether it is spent: the one thing that every long loop asks.
//
// Four things end a piece of work:
//   * work: a count that does not depend on the machine, about microseconds of a fast one. Each loop counts
//     its own (RouteSearch::work) and says how much it has done when it asks;
//   * the clock: a time at which all ends;
//   * stop: the caller has enough, e.g. another planner found a route;
//   * interrupted: the user has enough.
// Work sizes what is tried, so that the same question gets the same answer on every machine. The clock, a
// stop and an interruption only cut it short; who gives an answer then says so (cut_short()).
//
// An Effort is a value: what is given a part of it gets a copy with less work and the same ends. How large
// the parts are stands in shares.h.
#pragma once

#include <algorithm>
#include <chrono>
#include <cstdint>
#include <functional>
#include <limits>
#include <optional>

namespace withy {

class Effort {
 public:
  using Clock = std::chrono::steady_clock;
  using Asked = std::function<bool()>;
  static constexpr std::int64_t kAnyWork = std::numeric_limits<std::int64_t>::max();

  /// What has ended a piece of work. Where several have, the first of this list that is not `nothing`.
  enum class End { nothing, interrupted, stop, clock, work };

  /// No bound at all.
  Effort() = default;
  /// So much work, and no other bound.
  static Effort of_work(std::int64_t most) { return Effort().renewed(most); }
  /// So many seconds from now on, and no other bound. Infinite: no clock. What is no number or not above 0
  /// leaves no time.
  static Effort of_seconds(double seconds);

  /// A part: at most `most` work, all other ends the same.
  Effort part(std::int64_t most) const { return renewed(std::min(most, work_)); }
  /// The same ends, with work counted anew up to `most`.
  Effort renewed(std::int64_t most) const;
  /// The same, but of the time that was given in all no more than this share from now on. Without a clock the
  /// same.
  Effort with_share_of_time(double share) const;
  /// The same, and it ends as well when `asked` says so. `asked` is called often, from whatever thread asks.
  Effort until_stop(Asked asked) const;
  Effort until_interrupted(Asked asked) const;

  /// Has whoever did so much `work` to stop?
  bool spent(std::int64_t work) const { return work > work_ || cut_short(); }
  /// Have the clock, a stop or the user ended it, whatever work is left? Once true it stays true as long as
  /// what was given to until_stop() and until_interrupted() does not take back what it said.
  bool cut_short() const { return end() != End::nothing; }
  /// What ended it; `work` is what was done.
  End end(std::int64_t work = 0) const;

  /// The most work that may be done.
  std::int64_t work() const { return work_; }
  /// The time that was given in all (s); nothing without a clock.
  std::optional<double> seconds() const { return seconds_; }
  /// The time that is left (s), 0 at least; infinite without a clock.
  double seconds_left() const;

 private:
  std::int64_t work_ = kAnyWork;
  std::optional<double> seconds_;
  std::optional<Clock::time_point> deadline_;
  Asked stop_;
  Asked interrupted_;
};

}  // namespace withy
