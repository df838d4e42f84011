// SPDX-License-Identifier: GPL-3.0-or-later
// Where unreachable questions come to a stop, in channels where that is plain geometry.
#include "planner/search/ask/nearest_approach.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "planner/search/ask/solve.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

Answer answer_to(const SearchProblem& asked) {
  SolveSettings settings;
  settings.effort = Effort::of_work(20000000);
  return solve(asked, settings);
}

/// May the body be where it is said to stop?
void check_allowed(const SearchProblem& asked, const Approach& approach) {
  const Hardware hardware(asked.design);
  CHECK(StepJudge(asked, hardware).motion_allowed(approach.state, approach.state));
  CHECK(approach.distance_mm == Approx(asked.goal.distance(Shape(asked.design, approach.state).tip_E())));
}

}  // namespace

TEST_CASE("In a tube that narrows to a cone the tip stops where the cone is as near as clearance allows") {
  // From 5 mm at 30 mm to 1.6 mm at 35 mm: a point on the axis is at r cos(slope) from the cone.
  const double slope = std::atan((5.0 - 1.6) / 5.0);
  const double narrowest = (kRadius + kRequired) / std::cos(slope);
  const double depth = 30.0 + (5.0 - narrowest) / std::tan(slope);
  const Tube channel =
      tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 5.0}, {30.0, 5.0}, {35.0, 1.6}, {70.0, 1.6}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 50.0});
  const Answer answer = answer_to(asked);
  REQUIRE(answer.verdict == Verdict::unreachable);
  CAPTURE(answer.why);
  REQUIRE(answer.approach);
  CAPTURE(answer.approach->distance_mm, answer.approach->blocked_by, channel.facets_inside_mm);
  check_allowed(asked, *answer.approach);
  CHECK(answer.approach->distance_mm >= 50.0 - depth - 0.05);
  CHECK(answer.approach->distance_mm <= 50.0 - depth + 0.2 + 2.0 * channel.facets_inside_mm);
  CHECK(answer.approach->blocked_by.find("wall") != std::string::npos);
}

TEST_CASE("Where the carriage is too short the tip stops at its end") {
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 120.0});  // insertion ends at 100
  const Answer answer = answer_to(asked);
  REQUIRE(answer.verdict == Verdict::unreachable);
  REQUIRE(answer.approach);
  check_allowed(asked, *answer.approach);
  CHECK(answer.approach->distance_mm == Approx(20.0).margin(0.1));
  CHECK(answer.approach->blocked_by.find("insertion") != std::string::npos);
}

TEST_CASE("With more tolerance a nearest approach is the end of a plan, and no nearer than geometry allows") {
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 110.0});  // 10 mm out of reach
  const auto approach = approach_with_tolerance(asked, Effort::of_work(2000000));
  REQUIRE(approach);
  check_allowed(asked, *approach);
  CHECK(approach->distance_mm >= 10.0);
  // What is tried next is 0.85 of what was found, and 10 mm has a plan.
  CHECK(approach->distance_mm <= 10.0 / 0.85 + 0.1);
  CHECK(approach->blocked_by == "no plan brings the tip within 1 mm");
}

TEST_CASE(
    "Where place and direction can't be had together a nearest approach is about the best of a fine grid") {
  // In a wide straight tube a segment that bends in a plane, its target upright far aside.
  const Tube channel = tube({{120.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 1.0);
  for (const std::vector<double>& stations : {std::vector<double>{}, std::vector<double>{30.0}}) {
    SearchProblem asked = question(segment({.stations = stations}), channel, {11.0, 0.0, 50.0});
    asked.goal.direction_E = Eigen::Vector3d::UnitZ();
    asked.goal.direction_tolerance_rad = 0.1;
    asked.heeded.field = asked.heeded.latch = false;
    const auto off = [&](const State& state) {
      const Eigen::Isometry3d tip = Shape(asked.design, state).tip_E();
      return std::max(asked.goal.distance(tip) / asked.goal.tolerance_mm,
                      asked.goal.direction_error(tip) / asked.goal.direction_tolerance_rad);
    };
    const Hardware hardware(asked.design);
    const StepJudge judge(asked, hardware);
    double best = kInfinity;
    for (double d = 0.0; d <= asked.design.carriage().insertion_max_mm; d += 1.0)
      for (double u = 0.0; u <= asked.design.segment().curvature_max_per_mm; u += 2e-4) {
        State state;
        state.insertion_mm = d;
        state.u_free = {u, 0.0};
        if (off(state) < best && judge.motion_allowed(state, state)) best = off(state);
      }
    REQUIRE(best > 2.0);
    const auto approach = approach_with_tolerance(asked, Effort::of_work(500000));
    REQUIRE(approach);
    CAPTURE(stations.size(), best, approach->distance_mm, approach->blocked_by);
    check_allowed(asked, *approach);
    CHECK(off(approach->state) <= best / 0.85 + 0.1);
    // One frozen bend has both.
    if (!stations.empty()) continue;
    CHECK(approach->blocked_by.find("degrees off the wanted direction") != std::string::npos);
  }
}

TEST_CASE("A route that is allowed to its end has no place where it stops") {
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 50.0});
  const Hardware hardware(asked.design);
  State deep;
  deep.insertion_mm = 50.0;
  Route route;
  route.steps.push_back({-1, false, deep});
  CHECK_FALSE(approach_along(StepJudge(asked, hardware), route));
}
