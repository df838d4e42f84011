// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/via_routes.h"

#include <algorithm>
#include <optional>

#include <fmt/format.h>

#include "planner/search/ask/places_on_way.h"

namespace withy {

namespace {

/// The number of its last state, the start being 0.
int last_state(const Route& route) {
  return static_cast<int>(route.steps.size());
}

/// The route cut where it passes the places, in their order; nothing where it does not.
std::optional<ViaRoute> passing(const SearchProblem& problem, const Route& route) {
  ViaRoute out;
  out.outcome = SearchOutcome::found;
  out.route.start = route.start;
  std::size_t next = 0;
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    const RouteStep& step = route.steps[i];
    const State from = route.state_before(i);
    double share = 0.0;  // of the motion, that out.route has
    while (next < problem.vias.size() && step.lock < 0) {
      const auto at = first_at(problem, next, from, step.to, share);
      if (!at) break;
      ++next;
      // Where the cut would leave no motion, the state is there already.
      if (*at > share)
        out.route.steps.push_back(*at < 1.0 ? RouteStep{-1, false, interpolate(from, step.to, *at)} : step);
      share = *at;
      out.via_states.push_back(last_state(out.route));
    }
    if (share < 1.0) out.route.steps.push_back(step);
  }
  if (next < problem.vias.size()) return std::nullopt;
  out.place = problem.vias.size();
  return out;
}

bool same_step(const RouteStep& a, const RouteStep& b) {
  return a.lock == b.lock && a.engages == b.engages && a.to == b.to;
}

/// Goes on, where `way` has come to the end of `here`: back along it to where `there` leaves it, and along
/// `there` to its end. Both come from the start.
void go_on(Route& way, const Route& here, const Route& there) {
  std::size_t shared = 0;
  while (shared < here.steps.size() && shared < there.steps.size() &&
         same_step(here.steps[shared], there.steps[shared]))
    ++shared;
  const auto own = static_cast<std::ptrdiff_t>(shared);
  const Route back = reversed({{here.steps.begin() + own, here.steps.end()}, here.state_before(shared)});
  way.steps.insert(way.steps.end(), back.steps.begin(), back.steps.end());
  way.steps.insert(way.steps.end(), there.steps.begin() + own, there.steps.end());
}

}  // namespace

ViaRoute route_by_vias(const SearchProblem& problem, RouteSearch& search) {
  ViaRoute out;
  out.outcome = search.run(problem.goal);
  out.place = problem.vias.size();
  if (out.outcome != SearchOutcome::found) return out;
  if (auto passes = passing(problem, search.route())) return *passes;
  const Route to_target = search.route();
  search.keep_route();
  ViaRoute parts;
  Route here;
  for (std::size_t k = 0; k < problem.vias.size(); ++k) {
    parts.outcome = search.run(problem.vias[k]);
    parts.place = k;
    if (parts.outcome != SearchOutcome::found) return parts;
    const Route leg = search.route();
    search.keep_route();
    go_on(parts.route, here, leg);
    here = leg;
    parts.via_states.push_back(last_state(parts.route));
  }
  go_on(parts.route, here, to_target);
  parts.place = problem.vias.size();
  return parts;
}

const Goal& goal_at(const SearchProblem& problem, std::size_t place) {
  return place < problem.vias.size() ? problem.vias[place] : problem.goal;
}

SearchProblem about_place(const SearchProblem& problem, std::size_t place) {
  SearchProblem there = problem;
  there.goal = goal_at(problem, place);
  there.vias.clear();
  return there;
}

std::string place_words(const SearchProblem& problem, std::size_t place) {
  return place < problem.vias.size() ? fmt::format("place {} of those to pass", place + 1) : "the target";
}

}  // namespace withy
