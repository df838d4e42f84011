// SPDX-License-Identifier: GPL-3.0-or-later
// A plan is what was verified, whatever a search thought of it: routes with one thing wrong each.
#include "planner/search/route/make_plan.h"

#include <functional>
#include <limits>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/thread.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

/// A tube of radius 4 mm and a segment with one lock that bends in front of it: free is what a straight body
/// does in there, and 4 - 1.5 mm is its clearance, less what facets take.
struct Bench {
  Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}}, 1.0);
  Design design = segment({CarriageKind::free, {30.0}, 0.5});
  SearchProblem problem = question(design, channel, {0.0, 0.0, 40.0});
  Hardware hardware{problem.design};
  StepJudge judge{problem, hardware};

  static State at(double insertion_mm, const Eigen::Vector2d& u = Eigen::Vector2d::Zero()) {
    State state;
    state.insertion_mm = insertion_mm;
    state.u_free = u;
    return state;
  }

  /// The lock engaged on a straight segment, then in.
  Route straight_in() const {
    Route route;
    route.steps.push_back({0, true, after_lock(design, start_state(), 0)});
    State in = route.steps.back().to;
    in.insertion_mm = 40.0;
    route.steps.push_back({-1, false, in});
    return route;
  }
};

PlanFault fault_of(const StepJudge& judge, const Route& route) {
  const auto plan = make_plan(judge, route);
  REQUIRE_FALSE(plan);
  INFO(plan.error().sentence);
  CHECK_FALSE(plan.error().sentence.empty());
  // What is asked for many targets is held to the same.
  const auto refusal = refusal_of(judge, route, judge.problem().goal);
  REQUIRE(refusal);
  CHECK(refusal->fault == plan.error().fault);
  CHECK(refusal->step == plan.error().step);
  return plan.error().fault;
}

}  // namespace

TEST_CASE("A route that holds becomes a plan there and back, with a clearance that bears it out") {
  const Bench bench;
  const auto plan = make_plan(bench.judge, bench.straight_in());
  REQUIRE(plan);
  REQUIRE(plan->actions.size() == 4);
  CHECK_FALSE(refusal_of(bench.judge, bench.straight_in(), bench.problem.goal));
  CHECK(plan->states.front() == start_state());
  CHECK(plan->states.back() == start_state());
  // By hand: 4 mm of tube less the lock's body and the segment's, both 1.5 mm.
  CHECK(plan->clearance_mm > 2.5 - bench.channel.facets_inside_mm - 2.0 * kClearanceSlack_mm);
  CHECK(plan->clearance_mm <= 2.5 + bench.channel.facets_outside_mm);
  CHECK(plan->actions[2].kind == ActionKind::advance);
  CHECK(plan->actions[3].kind == ActionKind::unlock);
  CHECK(plan->actions[2].leg == Leg::out);
  // The same states are passed either way, so the same is verified of both.
  CHECK(plan->actions[1].clearance_mm == plan->actions[2].clearance_mm);
}

TEST_CASE("What any one motion, switch or state of a route breaks keeps it from being a plan") {
  const Bench bench;
  const double bend = 0.9 * kCurvatureMax;
  SECTION("a motion through the wall") {
    Route route;
    route.steps.push_back({-1, false, Bench::at(40.0, {bend, 0.0})});
    route.steps.push_back({-1, false, Bench::at(40.0)});
    CHECK(fault_of(bench.judge, route) == PlanFault::clearance);
  }
  SECTION("less clearance than is required") {
    SearchProblem strict = bench.problem;
    strict.required_clearance_mm = 3.0;
    CHECK(fault_of(StepJudge(strict, bench.hardware), bench.straight_in()) == PlanFault::clearance);
  }
  SECTION("a curvature beyond the limit") {
    Route route = bench.straight_in();
    route.steps.insert(route.steps.begin(), {{-1, false, Bench::at(0.0, {1.2 * kCurvatureMax, 0.0})},
                                             {-1, false, Bench::at(0.0)}});
    CHECK(fault_of(bench.judge, route) == PlanFault::limits);
  }
  SECTION("a motion that moves a frozen bend") {
    Route route = bench.straight_in();
    route.steps.back().to.theta_frozen[0].x() += 1e-3;
    CHECK(fault_of(bench.judge, route) == PlanFault::limits);
  }
  SECTION("a switch that moves the body") {
    Route route = bench.straight_in();
    route.steps.front().to.u_free.x() += 1e-4;
    CHECK(fault_of(bench.judge, route) == PlanFault::lock_switch);
  }
  SECTION("a lock engaged twice") {
    Route route = bench.straight_in();
    route.steps.insert(route.steps.begin(), route.steps.front());
    CHECK(fault_of(bench.judge, route) == PlanFault::lock_switch);
  }
  SECTION("a tip beside the target") {
    Route route = bench.straight_in();
    route.steps.back().to.insertion_mm = 38.9;
    CHECK(fault_of(bench.judge, route) == PlanFault::target);
  }
  SECTION("a tip in another direction") {
    SearchProblem turned = bench.problem;
    turned.goal.direction_E = Eigen::Vector3d(std::sin(0.2), 0.0, std::cos(0.2));
    turned.goal.direction_tolerance_rad = 0.1;
    CHECK(fault_of(StepJudge(turned, bench.hardware), bench.straight_in()) == PlanFault::target);
  }
}

TEST_CASE("A planned lock engages exactly on a latched bend: the bench's window is no licence") {
  // Notches of 0.5 mm on backbones at 1.2 mm, 45 degrees to x: a bend (b, 0) slides all four by b 1.2 /
  // sqrt 2.
  const double step = 0.5 / (1.2 / std::sqrt(2.0));
  const Bench bench;
  const auto engaged_on = [&](double theta) {
    Route route;
    route.steps.push_back({-1, false, Bench::at(0.0, {theta / 28.0, 0.0})});
    route.steps.push_back({0, true, after_lock(bench.design, route.steps.back().to, 0)});
    return route;
  };
  SearchProblem anywhere = bench.problem;
  anywhere.goal.tolerance_mm = 1000.0;
  const StepJudge judge(anywhere, bench.hardware);
  CHECK(make_plan(judge, engaged_on(step)));
  CHECK(make_plan(judge, engaged_on(step * (1.0 + 1e-9))));
  // 0.01 mm of slide off: within the window of 0.02 mm.
  CHECK(fault_of(judge, engaged_on(step + 0.01 / (1.2 / std::sqrt(2.0)))) == PlanFault::lock_switch);
}

TEST_CASE(
    "Backbones that are never all on a notch at once hold nothing in a plan, whatever the window lets in") {
  // Backbones at 0, 90 and 41 degrees, pitch 0.5 mm: cos 41 and sin 41 make no whole number of notches but 0
  // with whole ones near; the nearest, (4, 3) -> 4.987, is 0.0064 mm off and within the window.
  DesignParts parts = segment({CarriageKind::free, {30.0}, 0.5}).parts();
  parts.latch->backbone_angle_rad = {0.0, 0.5 * M_PI, 41.0 * M_PI / 180.0};
  const Design design = Design::make(parts).value();
  const double pitch = 0.5 / 1.2;
  const auto on_a_bench = lattice_points(*design.latch(), pitch * Eigen::Vector2d(4.0, 3.0), 0.1);
  REQUIRE(on_a_bench.size() == 1);
  const BendChart chart(design, true);
  for (const Eigen::Vector2d& bend :
       chart.bases_near(Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero(), 2.5)) {
    CAPTURE(bend.x(), bend.y());
    const Eigen::VectorXd slides = backbone_slides(*design.latch(), bend) / 0.5;
    CHECK((slides.array() - slides.array().round()).abs().maxCoeff() < 1e-8);
  }
  CHECK(chart.bases_near(Eigen::Vector2d::Zero(), on_a_bench.front(), 0.1).empty());
}

TEST_CASE("A motion within a cell that is said to be free is looked at all the same") {
  const Bench bench;
  SearchProblem beside = bench.problem;
  // In reach of a bent segment, but beyond the wall.
  beside.goal.point_E = Shape(bench.design, Bench::at(40.0, {0.03, 0.0})).tip_E().translation();
  const StepJudge judge(beside, bench.hardware);
  const BendChart chart(bench.design, true);
  const Leaf leaf;
  // The whole leaf, passed off as free.
  const std::vector<ChainCell> chain = {{&leaf, whole_leaf(bench.design, chart, leaf), true, -1, false}};
  const auto margin = [](const State&) { return 0.0; };
  CHECK_FALSE(thread_chain(beside.goal, chart, judge, margin, chain).failed.empty());
}
