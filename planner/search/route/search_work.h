// SPDX-License-Identifier: GPL-3.0-or-later
// What a search of routes has done, and whether it may go on.
#pragma once

#include <cstdint>

#include "planner/search/cells/cell_probe.h"
#include "planner/search/route/route_search_settings.h"

namespace withy {

/// Counts only grow. What it is made of must outlive it.
class SearchWork {
 public:
  SearchWork(const CellProbe& probe, const RouteSearchSettings& settings)
      : probe_(probe), settings_(settings) {}

  void add_expansion() { ++expansions_; }
  void add_goal_check() { ++goal_checks_; }
  void add_try() { ++tries_; }                           ///< of a way by exact motions
  void add_other(std::int64_t work) { other_ += work; }  ///< of what is tried before the cells

  /// Cells that were looked at, whether for the wall or for the goal.
  std::int64_t checks() const { return probe_.checks() + goal_checks_; }

  /// In a measure that does not depend on the machine: about microseconds of a fast one.
  std::int64_t done() const { return 10 * checks() + 4 * expansions_ + 1000 * tries_ + other_; }

  bool must_stop() const { return done() > settings_.most_work || settings_.stop(); }
  /// The same, but the clock and the user are asked once in so many expansions, or goal checks, only.
  bool must_stop_expanding() const { return expansions_ % kStopInterval == 0 && must_stop(); }
  bool must_stop_goal_checks() const { return goal_checks_ % kStopInterval == 0 && must_stop(); }

 private:
  static constexpr int kStopInterval = 32;

  const CellProbe& probe_;
  const RouteSearchSettings& settings_;
  std::int64_t expansions_ = 0;
  std::int64_t goal_checks_ = 0;
  std::int64_t tries_ = 0;
  std::int64_t other_ = 0;
};

}  // namespace withy
