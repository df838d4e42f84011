// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/effort/effort.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace withy {

namespace {

// More than this is no bound (s): thirty years, which a clock's count of nanoseconds still holds.
constexpr double kEndless_s = 1e9;

Effort::Asked either(Effort::Asked first, Effort::Asked second) {
  if (!first) return second;
  return [first = std::move(first), second = std::move(second)] { return first() || second(); };
}

}  // namespace

Effort Effort::of_seconds(double seconds) {
  Effort effort;
  if (seconds > kEndless_s) return effort;
  const double given = seconds > 0.0 ? seconds : 0.0;  // not a number: no time
  effort.seconds_ = given;
  effort.deadline_ =
      Clock::now() + std::chrono::duration_cast<Clock::duration>(std::chrono::duration<double>(given));
  return effort;
}

Effort Effort::renewed(std::int64_t most) const {
  Effort other = *this;
  other.work_ = most;
  return other;
}

Effort Effort::with_share_of_time(double share) const {
  Effort other = *this;
  if (!deadline_ || !seconds_) return other;
  const auto most = Clock::now() + std::chrono::duration_cast<Clock::duration>(
                                       std::chrono::duration<double>(share * *seconds_));
  other.deadline_ = std::min(*deadline_, most);
  return other;
}

Effort Effort::until_stop(Asked asked) const {
  Effort other = *this;
  other.stop_ = either(stop_, std::move(asked));
  return other;
}

Effort Effort::until_interrupted(Asked asked) const {
  Effort other = *this;
  other.interrupted_ = either(interrupted_, std::move(asked));
  return other;
}

Effort::End Effort::end(std::int64_t work) const {
  if (interrupted_ && interrupted_()) return End::interrupted;
  if (stop_ && stop_()) return End::stop;
  if (deadline_ && Clock::now() >= *deadline_) return End::clock;
  return work > work_ ? End::work : End::nothing;
}

double Effort::seconds_left() const {
  if (!deadline_) return std::numeric_limits<double>::infinity();
  return std::max(0.0, std::chrono::duration<double>(*deadline_ - Clock::now()).count());
}

}  // namespace withy
