// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/known_states.h"

#include <algorithm>

namespace withy {

std::vector<RouteStep> KnownStates::way_to(int known) const {
  std::vector<RouteStep> way;
  for (int k = known; k > 0; k = at(k).parent) way.push_back(at(k).step);
  std::reverse(way.begin(), way.end());
  return way;
}

void KnownStates::add(const Route& route, int from, std::size_t steps_known) {
  int parent = from;
  for (std::size_t i = steps_known; i < route.steps.size(); ++i) {
    states_.push_back({parent, route.steps[i]});
    parent = store_.mark(route.steps[i].to);
  }
}

}  // namespace withy
