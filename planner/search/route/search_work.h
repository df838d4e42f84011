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
  /// A lock switch that leads out of a cell; an expansion's work covers `covered` ones.
  void add_link(bool covered) {
    ++links_;
    if (!covered) ++other_;
  }
  void add_try() { ++tries_; }                           ///< of a way by exact motions
  void add_other(std::int64_t work) { other_ += work; }  ///< of what is tried before the cells

  /// Cells that were checked, whether for the wall or for the goal.
  std::int64_t checks() const { return probe_.checks() + goal_checks_; }

  /// In a measure that does not depend on the machine: about microseconds of a fast one.
  std::int64_t done() const {
    return shares::kCellWork * checks() + shares::kExpansionWork * expansions_ + shares::kTryWork * tries_ +
           other_;
  }

  bool must_stop() const { return settings_.effort.spent(done()); }
  /// Is it time to do something else than to expand (pause_at())?
  bool is_pause() const { return done() >= pause_at_; }
  /// From so much work done on; none until it is said anew.
  void pause_at(std::int64_t done) { pause_at_ = done; }
  /// The same, but asked once in so many expansions, goal checks or links only.
  bool must_stop_expanding() const {
    return expansions_ % shares::kAskInterval == 0 && (is_pause() || must_stop());
  }
  bool must_stop_goal_checks() const { return goal_checks_ % shares::kAskInterval == 0 && must_stop(); }
  /// Covered links have no work of their own, so that it can't be spent by them.
  bool must_stop_links(bool covered) const {
    return links_ % shares::kAskInterval == 0 && (covered ? settings_.effort.cut_short() : must_stop());
  }

 private:
  const CellProbe& probe_;
  const RouteSearchSettings& settings_;
  std::int64_t expansions_ = 0;
  std::int64_t goal_checks_ = 0;
  std::int64_t links_ = 0;
  std::int64_t tries_ = 0;
  std::int64_t other_ = 0;
  std::int64_t pause_at_ = Effort::kAnyWork;
};

}  // namespace withy
