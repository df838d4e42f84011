// SPDX-License-Identifier: GPL-3.0-or-later
// States that verified routes from the start lead to, and these routes.
//
// Every action can be undone and none depends on a target, so what one target's route has shown to be reached
// is as good a place to start from as the start. The cells of a store are marked with the states (CellStore).
#pragma once

#include <cstddef>
#include <vector>

#include "planner/search/cells/cell_store.h"
#include "planner/search/route/route.h"

namespace withy {

/// Numbered from 0, the start; the others by their marks in the store, which must outlive it. Invariant: the
/// steps of way_to(k), each verified, lead from the start to state(k).
class KnownStates {
 public:
  explicit KnownStates(CellStore& store) : store_(store) {
    states_.push_back({0, {-1, false, store.problem().start}});
  }

  const State& state(int known) const { return at(known).step.to; }
  std::vector<RouteStep> way_to(int known) const;

  /// Adds the states after the first `steps_known` steps of a verified route, which lead to state `from`.
  void add(const Route& route, int from, std::size_t steps_known);

 private:
  struct Known {
    int parent = 0;
    RouteStep step;  // the last one of the route to it
  };
  const Known& at(int known) const { return states_[static_cast<std::size_t>(known)]; }

  CellStore& store_;
  std::vector<Known> states_;
};

}  // namespace withy
