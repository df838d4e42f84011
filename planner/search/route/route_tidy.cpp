// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/route_tidy.h"

#include <algorithm>

#include "planner/effort/shares.h"

namespace withy {

namespace {

/// States between two switches, first and last included.
using Stay = std::vector<State>;

/// A route as stays with the switches between them.
struct Stays {
  std::vector<Stay> stays;
  std::vector<RouteStep> switches;  // switches[i] leads from the end of stays[i] to the start of stays[i + 1]
};

Stays stays_of(const Route& route) {
  Stays out;
  out.stays.push_back({start_state()});
  for (const RouteStep& step : route.steps) {
    if (step.lock >= 0) {
      out.switches.push_back(step);
      out.stays.push_back({step.to});
    } else {
      out.stays.back().push_back(step.to);
    }
  }
  return out;
}

Route route_of(const Stays& stays) {
  Route route;
  for (std::size_t i = 0; i < stays.stays.size(); ++i) {
    for (std::size_t j = 1; j < stays.stays[i].size(); ++j)
      route.steps.push_back({-1, false, stays.stays[i][j]});
    if (i < stays.switches.size()) route.steps.push_back(stays.switches[i]);
  }
  return route;
}

/// Fewest straight motions through a stay's own way-points.
Stay shortened(const StepJudge& judge, const Stay& stay, const Effort& effort) {
  Stay out = {stay.front()};
  std::size_t at = 0;
  while (at + 1 < stay.size()) {
    std::size_t next = stay.size() - 1;
    while (next > at + 1 && (effort.cut_short() || !judge.motion_allowed(stay[at], stay[next]))) --next;
    if (!(stay[next] == out.back())) out.push_back(stay[next]);
    at = next;
  }
  return out;
}

/// Drops way-points once more, now one at a time from the end: the greedy pass above looks forward only.
Stay thinned(const StepJudge& judge, Stay stay, const Effort& effort) {
  for (std::size_t i = stay.size(); i-- > 1;)
    if (i + 1 < stay.size() && !effort.cut_short() && judge.motion_allowed(stay[i - 1], stay[i + 1]))
      stay.erase(stay.begin() + static_cast<std::ptrdiff_t>(i));
  return stay;
}

/// Motions of a stay; a combined motion counts a little more than a plain one, so that plain ones win a tie.
double effort(const Stay& stay) {
  double sum = 0.0;
  for (std::size_t i = 0; i + 1 < stay.size(); ++i)
    sum += motion_kind(stay[i], stay[i + 1]) == ActionKind::steer ? 1.1 : 1.0;
  return sum;
}

bool all_allowed(const StepJudge& judge, const Stay& stay) {
  for (std::size_t i = 0; i + 1 < stay.size(); ++i)
    if (!judge.motion_allowed(stay[i], stay[i + 1])) return false;
  return true;
}

/// Tries to make switch i at insertion `d` instead. With the free carriage the curvature it needs stays the
/// same.
bool move_switch(const StepJudge& judge, Stays& stays, std::size_t i, double d) {
  Stay before = stays.stays[i];
  Stay after = stays.stays[i + 1];
  if (before.back().insertion_mm == d) return false;
  const double old_effort = effort(before) + effort(after);
  // A stay of one state begins and ends there: the far end stays where it is, a motion to the switch is
  // added.
  if (before.size() == 1) before.push_back(before.back());
  if (after.size() == 1) after.push_back(after.back());
  before.back().insertion_mm = d;
  after.front().insertion_mm = d;
  const auto drop_repeats = [](Stay& stay) { stay.erase(std::unique(stay.begin(), stay.end()), stay.end()); };
  drop_repeats(before);
  drop_repeats(after);
  if (effort(before) + effort(after) >= old_effort) return false;
  if (!all_allowed(judge, before) || !all_allowed(judge, after)) return false;
  RouteStep step = stays.switches[i];
  step.to.insertion_mm = d;
  if (!judge.switch_allowed(before.back(), step.lock, step.to)) return false;
  stays.stays[i] = before;
  stays.stays[i + 1] = after;
  stays.switches[i] = step;
  return true;
}

bool settle_switches(const StepJudge& judge, Stays& stays, const Effort& effort) {
  bool changed = false;
  for (std::size_t i = 0; i < stays.switches.size() && !effort.cut_short(); ++i) {
    const Stay& before = stays.stays[i];
    const Stay& after = stays.stays[i + 1];
    std::vector<double> candidates = {0.0};
    if (before.size() > 1) candidates.push_back(before[before.size() - 2].insertion_mm);
    if (after.size() > 1) candidates.push_back(after[1].insertion_mm);
    for (const double d : candidates) changed = move_switch(judge, stays, i, d) || changed;
  }
  return changed;
}

}  // namespace

Route tidy(const StepJudge& judge, const Route& route, const Effort& effort) {
  Stays stays = stays_of(route);
  for (Stay& stay : stays.stays) stay = thinned(judge, shortened(judge, stay, effort), effort);
  if (judge.problem().design.carriage().kind == CarriageKind::free)
    for (int round = 0; round < shares::kTidyRounds && settle_switches(judge, stays, effort); ++round)
      for (Stay& stay : stays.stays) stay = thinned(judge, shortened(judge, stay, effort), effort);
  return route_of(stays);
}

}  // namespace withy
