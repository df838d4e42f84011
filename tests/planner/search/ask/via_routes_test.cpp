// SPDX-License-Identifier: GPL-3.0-or-later
// Places that plans pass: on the way by themselves, off it, and out of reach.
#include "planner/search/ask/via_routes.h"

#include <catch2/catch.hpp>

#include "planner/search/ask/solve.h"
#include "planner/search/route/make_plan.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

Goal place(const Eigen::Vector3d& point, double tolerance) {
  Goal goal;
  goal.point_E = point;
  goal.tolerance_mm = tolerance;
  return goal;
}

/// A wide tube, the target up its axis.
SearchProblem wide(const Tube& channel) {
  return question(segment({}), channel, {0.0, 0.0, 55.0}, 1.0);
}

/// The states that a route's places are said to be at are there, in order; and a plan can be made of it.
void check_passes(const SearchProblem& asked, const RouteSearch& search, const ViaRoute& by) {
  REQUIRE(by.outcome == SearchOutcome::found);
  REQUIRE(by.via_states.size() == asked.vias.size());
  for (std::size_t k = 0; k < asked.vias.size(); ++k) {
    if (k > 0) CHECK(by.via_states[k] >= by.via_states[k - 1]);
    const State& there = by.route.state_before(static_cast<std::size_t>(by.via_states[k]));
    CHECK(asked.vias[k].holds(Shape(asked.design, there).tip_E()));
  }
  check_allowed(search.judge(), by.route);
  CHECK(make_plan(search.judge(), by.route));
}

RouteSearchSettings bounded() {
  RouteSearchSettings settings;
  settings.relaxations = true;
  settings.effort = Effort::of_work(20000000);
  return settings;
}

}  // namespace

TEST_CASE("A place on the straight way in is passed without a detour") {
  const Tube channel = tube({{80.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0);
  SearchProblem asked = wide(channel);
  asked.vias = {place({0.0, 0.0, 20.0}, 0.5), place({0.0, 0.0, 40.0}, 0.5)};
  RouteSearch search(asked, bounded());
  const ViaRoute by = route_by_vias(asked, search);
  check_passes(asked, search, by);
  double travelled = 0.0;
  for (std::size_t i = 0; i < by.route.steps.size(); ++i)
    travelled += std::abs(by.route.steps[i].to.insertion_mm - by.route.state_before(i).insertion_mm);
  CHECK(travelled <= 56.5);
}

TEST_CASE("A place off the way is gone to, and places in the other order as well") {
  const Tube channel = tube({{80.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0);
  SearchProblem asked = wide(channel);
  asked.vias = {place({8.0, 0.0, 40.0}, 1.0), place({-8.0, 0.0, 40.0}, 1.0), place({0.0, 0.0, 20.0}, 0.5)};
  RouteSearch search(asked, bounded());
  check_passes(asked, search, route_by_vias(asked, search));
  // Places at the start, at the target and twice at one point; no motion leads nowhere.
  const Eigen::Vector3d start(0.0, 0.0, 0.0), middle(0.0, 0.0, 30.0), off(8.0, 0.0, 40.0),
      end(0.0, 0.0, 55.0);
  const std::vector<std::vector<Eigen::Vector3d>> lists = {
      {start}, {middle, middle}, {start, start, middle, end, end}, {off, start, off, off}};
  for (const auto& points : lists) {
    CAPTURE(points.size());
    asked.vias.clear();
    for (const Eigen::Vector3d& point : points) asked.vias.push_back(place(point, 1.0));
    RouteSearch again(asked, bounded());
    const ViaRoute by = route_by_vias(asked, again);
    check_passes(asked, again, by);
    for (std::size_t i = 0; i < by.route.steps.size(); ++i)
      CHECK(!(by.route.steps[i].to == by.route.state_before(i)));
  }
}

TEST_CASE("The start itself is a place that every way passes") {
  const Tube channel = tube({{80.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0);
  SearchProblem asked = wide(channel);
  for (const double tolerance : {0.5, 30.0}) {
    asked.vias = {place(Eigen::Vector3d::Zero(), tolerance)};
    RouteSearch search(asked, bounded());
    const ViaRoute by = route_by_vias(asked, search);
    check_passes(asked, search, by);
    CHECK(by.via_states[0] == 0);
  }
  // Off to the side and back.
  asked.vias = {place({8.0, 0.0, 40.0}, 1.0), place(Eigen::Vector3d::Zero(), 0.5)};
  RouteSearch search(asked, bounded());
  check_passes(asked, search, route_by_vias(asked, search));
}

TEST_CASE("A way by many places goes to each from the one before, not over all the way so far") {
  const Tube channel = tube({{80.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0);
  SearchProblem asked = wide(channel);
  for (int k = 0; k < 24; ++k) asked.vias.push_back(place({k % 2 == 0 ? 8.0 : -8.0, 0.0, 40.0}, 1.0));
  RouteSearch search(asked, bounded());
  const ViaRoute by = route_by_vias(asked, search);
  check_passes(asked, search, by);
  CHECK(by.route.steps.size() <= 480);  // 20 steps from each place to the next
}

TEST_CASE("A place that no tip gets to makes the question unreachable, and is named") {
  const Tube channel = tube({{80.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0);
  SearchProblem asked = wide(channel);
  asked.vias = {place({0.0, 0.0, 20.0}, 0.5),
                place({14.5, 0.0, 40.0}, 0.5)};  // within half a millimetre of the wall
  SolveSettings settings;
  settings.effort = Effort::of_work(20000000);
  settings.explain = false;
  const Answer answer = solve(asked, settings);
  CHECK(answer.verdict == Verdict::unreachable);
  CHECK(answer.why.find("place 2 of those to pass") == 0);
  asked.vias.pop_back();
  const Answer reached = solve(asked, settings);
  CHECK(reached.verdict == Verdict::reached);
  REQUIRE(reached.plan);
  REQUIRE(reached.plan->via_states.size() == 1);
  const PlannedState& there = reached.plan->states[static_cast<std::size_t>(reached.plan->via_states[0])];
  CHECK(asked.vias[0].holds(there.tip_E));
}
