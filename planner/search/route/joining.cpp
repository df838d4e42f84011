// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/joining.h"

#include <algorithm>

#include "planner/proof/lemmas/leaf.h"

namespace withy {

std::optional<State> switch_state(const Design& design, const State& engaged, int lock, double d) {
  State state = engaged;
  state.insertion_mm = d;
  const std::size_t r = region_index(engaged.engaged, lock);
  if (r + 1 == engaged.theta_frozen.size()) {
    const auto stretch = stretches_of(design, engaged.engaged)[r];
    const double f = exposed_flexible_length(design, d, stretch.from_mm, stretch.to_mm);
    if (f <= kNoLength_mm && !engaged.theta_frozen[r].isZero(kNotchGrain)) return std::nullopt;
    state.u_free = f > kNoLength_mm ? Eigen::Vector2d(engaged.theta_frozen[r] / f) : Eigen::Vector2d::Zero();
  }
  if (!unlock_keeps_shape(design, state, lock)) return std::nullopt;
  return state;
}

namespace {

bool same_bends(const State& a, const State& b) {
  for (std::size_t r = 0; r < a.theta_frozen.size(); ++r)
    if ((a.theta_frozen[r] - b.theta_frozen[r]).norm() > kNotchGrain) return false;
  return true;
}

}  // namespace

std::optional<std::vector<RouteStep>> joining_steps(const Design& design, const State& from,
                                                    const State& to) {
  std::vector<RouteStep> steps;
  const LockSet differ = from.engaged ^ to.engaged;
  if (differ.none()) {
    if (!same_bends(from, to)) return std::nullopt;
    steps.push_back({-1, false, to});
    return steps;
  }
  if (differ.count() != 1) return std::nullopt;
  int lock = 0;
  while (!differ.test(static_cast<std::size_t>(lock))) ++lock;
  const bool engages = to.engaged.test(static_cast<std::size_t>(lock));
  const State& engaged = engages ? to : from;
  const auto [shallow, deep] = std::minmax(from.insertion_mm, to.insertion_mm);
  auto at = switch_state(design, engaged, lock, shallow);
  if (!at) at = switch_state(design, engaged, lock, deep);
  if (!at) return std::nullopt;
  const State released = after_unlock(design, *at, lock);
  if (!same_bends(released, engages ? from : to)) return std::nullopt;
  const State& before = engages ? released : *at;
  const State& after = engages ? *at : released;
  if (!(before == from)) steps.push_back({-1, false, before});
  steps.push_back({lock, engages, after});
  if (!(after == to)) steps.push_back({-1, false, to});
  return steps;
}

bool steps_allowed(const StepJudge& judge, const State& from, const std::vector<RouteStep>& steps) {
  const State* at = &from;
  for (const RouteStep& step : steps) {
    if (!(step.lock < 0 ? judge.motion_allowed(*at, step.to) : judge.switch_allowed(*at, step.lock, step.to)))
      return false;
    at = &step.to;
  }
  return true;
}

}  // namespace withy
