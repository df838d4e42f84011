// SPDX-License-Identifier: GPL-3.0-or-later
// From a state at the target back to the start, and from the start to the target, by the walker's own
// actions.
//
// Stops are kept in a tree; the next action starts at the stop nearest to where the way is to lead, or at any
// stop as often. On the way home it mostly draws the body out, on the way in it mostly brings the tip nearer.
#include <algorithm>
#include <cmath>

#include "tests/support/plain_walks.h"

namespace withy_plain {
namespace {

constexpr double kNearestShare = 0.5;   // of actions that start at the nearest stop
constexpr double kNoFinishShare = 0.8;  // of actions that are not a try to end the way at once
constexpr double kPerTry = 0.02;        // what a stop loses for each action that started there
constexpr double kPerLock = 0.1;        // how far from home an engaged lock is
constexpr double kPerTurn = 0.05;       // and a bend through one radian of the free region

}  // namespace

double Walker::far_from_home(const State& state) const {
  double far = state.insertion_mm / scene_.length_mm;
  for (const bool engaged : state.locked) far += engaged ? kPerLock : 0.0;
  return far + kPerTurn * theta(robot_, state, state.regions.back()).norm();
}

bool Walker::is_home(const State& state) const {
  return state.insertion_mm == 0 && state.regions.size() == 1 && state.regions.front().u.isZero(0);
}

std::size_t Walker::next_stop(const std::vector<Stop>& stops) {
  if (!(uniform(0, 1) < kNearestShare))
    return std::uniform_int_distribution<std::size_t>(0, stops.size() - 1)(random_);
  const auto cost = [](const Stop& stop) { return stop.far + kPerTry * stop.tries; };
  const auto nearest = std::min_element(stops.begin(), stops.end(),
                                        [&](const Stop& a, const Stop& b) { return cost(a) < cost(b); });
  return static_cast<std::size_t>(nearest - stops.begin());
}

/// One action: release a lock, or draw the body out while it keeps its bend, straightens or bends otherwise.
void Walker::try_a_way_out() {
  const double kind = uniform(0, 1);
  const auto engaged = std::count(at_.locked.begin(), at_.locked.end(), true);
  if (engaged > 0 && kind < 0.3) {
    int lock = std::uniform_int_distribution<int>(0, robot_.locks() - 1)(random_);
    while (!at_.locked[static_cast<std::size_t>(lock)]) lock = (lock + 1) % robot_.locks();
    try_unlock(lock);
    if (!at_.locked[static_cast<std::size_t>(lock)]) return;
    bend_towards(at_.regions[region_of(at_, lock)].u);  // which is where the last one can be released
    return;
  }
  if (kind > 0.9) return wander();
  const double share = coin() ? 1.0 : scale();
  const double d =
      std::max(0.0, at_.insertion_mm - share * std::min(at_.insertion_mm, 0.4 * scene_.length_mm));
  Eigen::Vector2d u = at_.regions.back().u;
  const double bend = uniform(0, 3);
  if (bend < 1)
    u += in_disk(2 * scale() * scene_.curvature_max_per_mm);
  else if (bend < 2)
    u *= 1 - scale();
  if (u.norm() > scene_.curvature_max_per_mm) u *= scene_.curvature_max_per_mm * (1 - 1e-12) / u.norm();
  go(moved(at_, d, u));
}

/// Half the way to a bend of the free region.
bool Walker::bend_towards(const Eigen::Vector2d& u) {
  return u.norm() <= scene_.curvature_max_per_mm &&
         go(moved(at_, at_.insertion_mm, 0.5 * (at_.regions.back().u + u)));
}

/// From where the walk stands: all locks released one after the other, the body straightened and drawn out.
bool Walker::finish() {
  for (int lock = robot_.locks() - 1; lock >= 0; --lock) {
    if (at_.locked[static_cast<std::size_t>(lock)]) try_unlock(lock);
    if (at_.locked[static_cast<std::size_t>(lock)]) return false;
  }
  for (int part = 0; part < 3; ++part)
    if (!bend_towards(Eigen::Vector2d::Zero())) return false;
  return go(moved(at_, at_.insertion_mm, Eigen::Vector2d::Zero())) &&
         go(moved(at_, 0, Eigen::Vector2d::Zero()));
}

Walker::Travelled Walker::travel(const State& from, const Journey& journey, long most_looks) {
  Walks walks;
  walks_ = &walks;
  std::vector<Stop> stops = {{from, 0, journey.far(from)}};
  const auto way_to = [&](std::size_t last) {
    std::vector<State> way = {stops[last].state};
    for (; last != stops[last].from; last = stops[last].from) way.push_back(stops[stops[last].from].state);
    return way;
  };
  const long until = looks_ + most_looks;
  while (looks_ < until) {
    const std::size_t start = next_stop(stops);
    ++stops[start].tries;
    at_ = stops[start].state;
    const std::size_t before = walks.visited.size();
    journey.act();
    std::size_t last = start;
    for (std::size_t i = before; i < walks.visited.size(); ++i) {
      stops.push_back({walks.visited[i], last, journey.far(walks.visited[i])});
      last = stops.size() - 1;
      if (journey.arrived(stops[last].state)) return {way_to(last), true};
    }
  }
  const auto nearest = std::min_element(stops.begin(), stops.end(),
                                        [](const Stop& a, const Stop& b) { return a.far < b.far; });
  return {way_to(static_cast<std::size_t>(nearest - stops.begin())), false};
}

std::vector<State> Walker::way_home(const State& from, long most_looks) {
  Journey journey;
  journey.far = [&](const State& state) { return far_from_home(state); };
  journey.arrived = [&](const State& state) { return is_home(state); };
  journey.act = [&] {
    const State start = at_;
    const std::size_t before = walks_->visited.size();
    if (uniform(0, 1) < kNoFinishShare || !finish()) {
      walks_->visited.resize(before);
      at_ = start;
      try_a_way_out();
    }
  };
  Travelled travelled = travel(from, journey, most_looks);
  return travelled.arrived ? std::move(travelled.way) : std::vector<State>{};
}

/// Goes towards an insertion and a free curvature, all of the way or a part.
void Walker::go_part_of_the_way(double insertion_mm, const Eigen::Vector2d& u) {
  const double share = coin() ? 1.0 : scale();
  go(moved(at_, at_.insertion_mm + share * (insertion_mm - at_.insertion_mm),
           at_.regions.back().u + share * (u - at_.regions.back().u)));
}

/// One action: switch a lock, go towards where the tip would be at the target with these locks, or advance
/// and bend at random.
void Walker::try_a_way_in() {
  const double kind = uniform(0, 1);
  if (robot_.locks() > 0 && kind < 0.25) {
    const int lock = std::uniform_int_distribution<int>(0, robot_.locks() - 1)(random_);
    return at_.locked[static_cast<std::size_t>(lock)] ? try_unlock(lock) : try_lock(lock);
  }
  if (kind < 0.65) {
    if (const auto there = aimed(at_)) go_part_of_the_way(there->insertion_mm, there->regions.back().u);
    return;
  }
  if (kind > 0.85) return wander();
  Eigen::Vector2d u = at_.regions.back().u + in_disk(2 * scale() * scene_.curvature_max_per_mm);
  if (u.norm() > scene_.curvature_max_per_mm) u *= scene_.curvature_max_per_mm * (1 - 1e-12) / u.norm();
  const double most = std::min(0.3 * scene_.length_mm, scene_.insertion_max_mm - at_.insertion_mm);
  go(moved(at_, at_.insertion_mm + scale() * most, coin() ? u : at_.regions.back().u));
}

std::vector<State> Walker::way_in(long most_looks) {
  State start;
  start.locked.assign(static_cast<std::size_t>(robot_.locks()), false);
  start.regions = {{0.0, scene_.length_mm, Eigen::Vector2d::Zero()}};
  if (!allowed(start)) return {};
  Journey journey;
  journey.far = [&](const State& state) { return target_excess(state, 0.95) / scene_.length_mm; };
  journey.arrived = [&](const State& state) { return target_excess(state, 0.95) <= 0; };
  journey.act = [&] { try_a_way_in(); };
  if (journey.arrived(start)) return {start};
  std::vector<State> way = travel(start, journey, most_looks).way;
  std::reverse(way.begin(), way.end());
  return way;
}

}  // namespace withy_plain
