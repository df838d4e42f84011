// SPDX-License-Identifier: GPL-3.0-or-later
// What looks at an elastic body teach, for looks that are made up: expected questions by hand.
#include "planner/heed/lessons.h"

#include <memory>

#include <catch2/catch.hpp>

#include "planner/segment/shape.h"
#include "tests/planner/heed/axis_plan.h"
#include "tests/support/tube.h"

using namespace withy;

namespace {

constexpr double kDepth = 40.0;
constexpr double kTolerance = 1.4;
constexpr double kRequired = 0.3;

/// A segment in a straight tube with a millimetre to spare, its target on the axis.
SearchProblem tube_question() {
  DesignParts parts;
  parts.segment = {100.0, 1.5, 3.0, 0.04, 400.0};
  parts.carriage = {CarriageKind::free, 140.0};
  parts.tendons =
      TendonHardware{1.2, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.0, 8.0, 0.2, 20.0, 0.1, Motors::ride};
  testing::TubeShape shape;
  shape.radius_mm = 2.9;
  shape.bend_rad = 0.0;
  shape.length_mm = 120.0;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(shape, 5000));
  return {Design::make(std::move(parts)).value(),
          std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.2)),
          Goal{Eigen::Vector3d(0.0, 0.0, kDepth), kTolerance, std::nullopt, 0.0},
          kRequired,
          {}};
}

/// A look whose tip is here in the reached state.
FollowedPlan look_with_tip(const Eigen::Vector3d& tip_E, double clearance_mm) {
  FollowedPlan followed;
  followed.states.resize(3);
  followed.states[1].reading.tip_E.translation() = tip_E;
  followed.clearance_mm = clearance_mm;
  return followed;
}

}  // namespace

TEST_CASE("a look that keeps too little room raises the clearance, and moves the target by half the drift") {
  const SearchProblem problem = tube_question();
  Lessons lessons(problem);
  REQUIRE(lessons.learn(along_the_axis(kDepth), look_with_tip({0.0, 0.8, kDepth}, 0.1)));
  CHECK(lessons.asked().required_clearance_mm >= kRequired + (1.2 - 0.1));
  CHECK(lessons.asked().goal.point_E.isApprox(Eigen::Vector3d(0.0, -0.4, kDepth), 1e-12));
  // Whatever ends in the new ball, and in the new ball moved by the drift, is in the old one.
  CHECK(lessons.asked().goal.tolerance_mm + 0.4 <= kTolerance);
  CHECK(lessons.asked().goal.tolerance_mm > 0.5 * (kTolerance - 0.4));
}

TEST_CASE("the drift is that of the tip from where it was planned, not from the target") {
  const SearchProblem problem = tube_question();
  Lessons lessons(problem);
  // Planned 1 mm short, ending 0.5 mm short: the body came 0.5 mm farther.
  REQUIRE(lessons.learn(along_the_axis(kDepth - 1.0), look_with_tip({0.0, 0.0, kDepth - 0.5}, 0.1)));
  CHECK(lessons.asked().goal.point_E.isApprox(Eigen::Vector3d(0.0, 0.0, kDepth - 0.25), 1e-12));
}

TEST_CASE("a drift over twice the tolerance leaves no place for both bodies, and a look that is kept none") {
  const SearchProblem problem = tube_question();
  Lessons lessons(problem);
  CHECK_FALSE(lessons.learn(along_the_axis(kDepth), look_with_tip({0.0, 2.1 * kTolerance, kDepth}, 1.0)));
  CHECK(lessons.asked().goal.point_E == problem.goal.point_E);
  CHECK(lessons.asked().goal.tolerance_mm == kTolerance);
  CHECK_FALSE(lessons.learn(along_the_axis(kDepth), look_with_tip({0.0, 0.5, kDepth}, 1.0)));
  CHECK(lessons.asked().required_clearance_mm == kRequired);
}

TEST_CASE("the same miss again teaches nothing") {
  const SearchProblem problem = tube_question();
  Lessons lessons(problem);
  const FollowedPlan look = look_with_tip({0.0, 1.6, kDepth}, 1.0);
  CHECK(lessons.learn(along_the_axis(kDepth), look));
  CHECK_FALSE(lessons.learn(along_the_axis(kDepth), look));
}

TEST_CASE("a route is aimed along its elastic tip's miss to where the line through two looks spares most") {
  const SearchProblem problem = tube_question();
  // Clearance 0.2 - s / 2 and miss 1 - s for a tip planned s short of the target.
  const auto look_at = [](double s, double clearance_mm) {
    return look_with_tip({0.0, 0.0, kDepth + 1.0 - s}, clearance_mm);
  };
  AimLine line(problem, along_the_axis(kDepth), look_at(0.0, 0.2));
  const auto half = line.next_E();
  REQUIRE(half);
  CHECK(half->isApprox(Eigen::Vector3d(0.0, 0.0, kDepth - 0.5), 1e-12));
  line.take(along_the_axis(kDepth - 0.5), look_at(0.5, -0.05));
  const auto best = line.next_E();
  REQUIRE(best);
  // 0.2 - s / 2 - 0.3 = 1.4 - (1 - s) where s = -1 / 3; a place is tried every fiftieth of the tolerance.
  CHECK((*best - Eigen::Vector3d(0.0, 0.0, kDepth + 1.0 / 3.0)).norm() <= 0.02 * kTolerance);
  line.take(along_the_axis(kDepth + 1.0 / 3.0), look_at(-1.0 / 3.0, 0.29));
  CHECK_FALSE(line.next_E());
  // 0.2 mm less of clearance: where that is kept the target is missed.
  AimLine hopeless(problem, along_the_axis(kDepth), look_at(0.0, 0.0));
  hopeless.take(along_the_axis(kDepth - 0.5), look_at(0.5, -0.25));
  CHECK_FALSE(hopeless.next_E());
  // On the target there is no line.
  CHECK_FALSE(AimLine(problem, along_the_axis(kDepth), look_at(1.0, 0.0)).next_E());
}

TEST_CASE("a plan aimed anew ends in the middle of the goal by the same route, or not at all") {
  const SearchProblem problem = tube_question();
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  const Plan plan = along_the_axis(kDepth);
  const auto tip_of = [&](const Plan& of) {
    return Shape(problem.design, of.states[static_cast<std::size_t>(of.reached_state)]).tip_E();
  };
  Goal goal = problem.goal;
  goal.point_E += Eigen::Vector3d(0.3, -0.2, 0.6);
  const auto aimed = aimed_anew(judge, plan, goal);
  REQUIRE(aimed);
  CHECK((tip_of(*aimed).translation() - goal.point_E).norm() < 0.01 * kTolerance);
  CHECK(problem.goal.holds(tip_of(*aimed)));
  CHECK(aimed->clearance_mm >= kRequired);
  CHECK_FALSE(aimed_anew(judge, plan, problem.goal));  // it is there
  goal.point_E = problem.goal.point_E + Eigen::Vector3d(0.0, 0.0, 4.0 * kTolerance);
  CHECK_FALSE(aimed_anew(judge, plan, goal));  // outside the problem's own, and so is half the way
}
