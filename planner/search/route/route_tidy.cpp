// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/route_tidy.h"

#include <algorithm>
#include <optional>

#include "geometry/numbers/numbers.h"
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
  out.stays.push_back({route.start});
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
  Route route{{}, stays.stays.front().front()};
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

/// Switch i at insertion `d` instead. With the free carriage the curvature it needs stays the same.
Stays with_switch_at(Stays stays, std::size_t i, double d) {
  Stay& before = stays.stays[i];
  Stay& after = stays.stays[i + 1];
  // A stay of one state begins and ends there: the far end stays where it is, a motion to the switch is
  // added.
  if (before.size() == 1) before.push_back(before.back());
  if (after.size() == 1) after.push_back(after.back());
  before.back().insertion_mm = d;
  after.front().insertion_mm = d;
  stays.switches[i].to.insertion_mm = d;
  const auto drop_repeats = [](Stay& stay) { stay.erase(std::unique(stay.begin(), stay.end()), stay.end()); };
  drop_repeats(before);
  drop_repeats(after);
  return stays;
}

/// Are switch i and all motions of the stays before and after it allowed?
bool switch_fits(const StepJudge& judge, const Stays& stays, std::size_t i) {
  return all_allowed(judge, stays.stays[i]) && all_allowed(judge, stays.stays[i + 1]) &&
         judge.switch_allowed(stays.stays[i].back(), stays.switches[i].lock, stays.switches[i].to);
}

/// Makes switch i at insertion `d` if that takes less effort.
bool move_switch(const StepJudge& judge, Stays& stays, std::size_t i, double d) {
  if (stays.stays[i].back().insertion_mm == d) return false;
  const auto effort_about = [i](const Stays& s) { return effort(s.stays[i]) + effort(s.stays[i + 1]); };
  Stays moved = with_switch_at(stays, i, d);
  if (effort_about(moved) >= effort_about(stays) || !switch_fits(judge, moved, i)) return false;
  stays = std::move(moved);
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

/// Can't the hunt be made that switch i takes on the way in or, where it releases a lock, on the way out.
bool lacks_hunt(const StepJudge& judge, const Stays& stays, std::size_t i) {
  const RouteStep& step = stays.switches[i];
  return judge.lock_switch(step.engages ? stays.stays[i].back() : step.to, step.lock).lacks_hunt();
}

/// Switch i at insertion `d`, less than it has, and from there in to where it was with the bend unchanged.
Stays with_switch_farther_out(const Stays& stays, std::size_t i, double d) {
  Stays moved = with_switch_at(stays, i, d);
  Stay& after = moved.stays[i + 1];
  after.insert(after.begin() + 1, stays.stays[i + 1].front());
  after.erase(std::unique(after.begin(), after.end()), after.end());
  return moved;
}

/// Do all motions before and after switch i keep more than `clearance_mm`? Only asked where they are allowed.
bool keeps_more(const StepJudge& judge, const Stays& stays, std::size_t i, double clearance_mm) {
  for (const Stay* stay : {&stays.stays[i], &stays.stays[i + 1]})
    for (std::size_t j = 0; j + 1 < stay->size(); ++j)
      if (!judge.verifier().clears((*stay)[j], (*stay)[j + 1], clearance_mm)) return false;
  return true;
}

double least_clearance(const StepJudge& judge, const Stays& stays, std::size_t i) {
  double least = kInfinity;
  for (const Stay* stay : {&stays.stays[i], &stays.stays[i + 1]})
    for (std::size_t j = 0; j + 1 < stay->size(); ++j)
      least = std::min(least, judge.verifier().clearance((*stay)[j], (*stay)[j + 1]).lower_mm);
  return least;
}

/// Moves switch i outwards to where its hunt can be made and the motions about it keep the most clearance.
void clear_hunt(const StepJudge& judge, Stays& stays, std::size_t i, const Effort& effort) {
  if (!lacks_hunt(judge, stays, i)) return;
  const double deepest = stays.stays[i].back().insertion_mm;
  std::optional<Stays> best;
  double most = -kInfinity;
  for (int k = shares::kHuntPlaces; k-- > 0 && !effort.cut_short();) {
    Stays moved = with_switch_farther_out(stays, i, deepest * k / shares::kHuntPlaces);
    if (!switch_fits(judge, moved, i)) continue;
    if (best && !keeps_more(judge, moved, i, most)) continue;
    if (lacks_hunt(judge, moved, i)) continue;
    most = least_clearance(judge, moved, i);
    best = std::move(moved);
  }
  if (best) stays = std::move(*best);
}

/// The hunt that switch i takes on the way in or on the way out, where it is made.
std::optional<LockHunt> made_hunt(const StepJudge& judge, const Stays& stays, std::size_t i) {
  const RouteStep& step = stays.switches[i];
  const auto hunt = judge.lock_switch(step.engages ? stays.stays[i].back() : step.to, step.lock).hunt;
  return hunt && hunt->made() ? hunt : std::nullopt;
}

struct Scored {
  double clearance_mm;
  Route route;
};

/// All places farther out at which switch i fits and its hunt is made.
void add_farther_out(const StepJudge& judge, const Stays& stays, std::size_t i, const Effort& effort,
                     std::vector<Scored>& out) {
  if (!made_hunt(judge, stays, i)) return;
  const double deepest = stays.stays[i].back().insertion_mm;
  if (deepest <= 0.0) return;
  for (int k = 0; k < shares::kHuntPlaces && !effort.cut_short(); ++k) {
    Stays moved = with_switch_farther_out(stays, i, deepest * k / shares::kHuntPlaces);
    if (!switch_fits(judge, moved, i)) continue;
    const auto hunt = made_hunt(judge, moved, i);
    if (!hunt) continue;
    const double clearance = std::min(hunt->clearance_mm, least_clearance(judge, moved, i));
    for (const std::size_t stay : {i, i + 1})
      moved.stays[stay] = thinned(judge, shortened(judge, moved.stays[stay], effort), effort);
    out.push_back({clearance, route_of(moved)});
  }
}

}  // namespace

std::vector<Route> with_hunt_farther_out(const StepJudge& judge, const Route& route, int lock,
                                         const Effort& effort) {
  if (judge.problem().design.carriage().kind == CarriageKind::guide) return {};
  const Stays stays = stays_of(route);
  std::vector<Scored> scored;
  for (std::size_t i = 0; i < stays.switches.size(); ++i)
    if (stays.switches[i].lock == lock) add_farther_out(judge, stays, i, effort, scored);
  std::stable_sort(scored.begin(), scored.end(),
                   [](const Scored& a, const Scored& b) { return a.clearance_mm > b.clearance_mm; });
  std::vector<Route> out;
  for (Scored& one : scored) out.push_back(std::move(one.route));
  return out;
}

Route tidy(const StepJudge& judge, const Route& route, const Effort& effort) {
  Stays stays = stays_of(route);
  for (Stay& stay : stays.stays) stay = thinned(judge, shortened(judge, stay, effort), effort);
  if (judge.problem().design.carriage().kind == CarriageKind::free)
    for (int round = 0; round < shares::kTidyRounds && settle_switches(judge, stays, effort); ++round)
      for (Stay& stay : stays.stays) stay = thinned(judge, shortened(judge, stay, effort), effort);
  return route_of(stays);
}

Route clear_hunts(const StepJudge& judge, const Route& route, const Effort& effort) {
  if (judge.problem().design.carriage().kind == CarriageKind::guide) return route;
  Stays stays = stays_of(route);
  for (std::size_t i = 0; i < stays.switches.size(); ++i) clear_hunt(judge, stays, i, effort);
  for (Stay& stay : stays.stays) stay = thinned(judge, shortened(judge, stay, effort), effort);
  return route_of(stays);
}

}  // namespace withy
