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
  CHECK(approach->distance_mm <= 16.0);  // the first of 2, 4, 8, 16 that has a plan
  CHECK(approach->blocked_by == "no plan brings the tip within 1 mm");
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
