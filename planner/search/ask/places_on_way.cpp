// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/places_on_way.h"

#include "planner/effort/shares.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

bool stands_at(const Design& design, const Goal& place, const State& state) {
  return place.holds(Shape(design, state).tip_E());
}

}  // namespace

std::size_t pass_places(const SearchProblem& problem, std::size_t next, const State& state) {
  while (next < problem.vias.size() && stands_at(problem.design, problem.vias[next], state)) ++next;
  return next;
}

std::size_t pass_places(const SearchProblem& problem, std::size_t next, const Route& route) {
  for (std::size_t k = 0; k <= route.steps.size() && next < problem.vias.size(); ++k)
    next = pass_places(problem, next, route.state_before(k));
  return next;
}

std::optional<double> first_at(const SearchProblem& problem, std::size_t place, const State& from,
                               const State& to, double share) {
  for (int k = 0; k <= shares::kViaLooksPerMotion; ++k) {
    const double at = share + (1.0 - share) * k / shares::kViaLooksPerMotion;
    if (stands_at(problem.design, problem.vias[place], interpolate(from, to, at))) return at;
  }
  return std::nullopt;
}

}  // namespace withy
