// SPDX-License-Identifier: GPL-3.0-or-later
// Driving by hand: what is made keeps its distance, by a plain look at many points of the body along each
// motion.
#include "planner/live/hand.h"

#include <cmath>
#include <filesystem>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/live/driver.h"
#include "planner/live/live_scene.h"
#include "planner/live/objections.h"
#include "planner/search/ask/solve.h"
#include "planner/search/route/make_plan.h"
#include "planner/segment/shape.h"
#include "tests/planner/live/live_bench.h"

namespace {

using namespace withy;

const Driver& driver_of(int locks) {
  static std::map<int, std::unique_ptr<Driver>> kept;
  static std::shared_ptr<const LiveScene> scene = [] {
    const auto file = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/double-bend/scene.toml";
    static SceneKeeper keeper(file);
    return *keeper.make(withy_test::read_text(file));
  }();
  if (!kept[locks]) kept[locks] = std::make_unique<Driver>(scene, *make_problem(scene->prepared, locks));
  return *kept[locks];
}

/// The least gap of a body, at points a millimetre apart, by exact distances.
double plain_gap(const Driver& driver, const State& state) {
  const Design& design = driver.problem.design;
  const Shape shape(design, state);
  double least = kInfinity;
  const auto look = [&](double s) {
    const Eigen::Vector3d p = shape.point_E(s);
    if (p.z() > 0.0)
      least = std::min(least, driver.scene->prepared.wall().signed_distance(p) - design.body_radius(s));
  };
  for (double s = std::min(0.0, design.length_mm() - state.insertion_mm); s < design.length_mm(); s += 1.0)
    look(s);
  look(design.length_mm());
  return least;
}

void check_route(const Driver& driver, const Route& route) {
  for (std::size_t k = 0; k < route.steps.size(); ++k) {
    const State& from = route.state_before(k);
    if (route.steps[k].lock >= 0) continue;
    for (int i = 0; i <= 8; ++i)
      CHECK(plain_gap(driver, interpolate(from, route.steps[k].to, i / 8.0)) >=
            driver.problem.required_clearance_mm);
  }
}

}  // namespace

TEST_CASE("a hand that pushes on stops before the wall, and is told so") {
  const Driver& driver = driver_of(0);
  Hand hand;
  REQUIRE(hand.move(driver.judge, 60.0, {0.0, 0.0}).made);
  // On along the axis of a box 100 mm deep.
  const HandOutcome outcome = hand.move(driver.judge, 160.0, {0.0, 0.0});
  CHECK_FALSE(outcome.made);
  CHECK(outcome.objection.find("wall") != std::string::npos);
  CHECK(hand.route().steps.size() == 1);  // two advances are one
  CHECK(hand.state().insertion_mm > 60.0);
  const double gap = plain_gap(driver, hand.state());
  CHECK(gap >= driver.problem.required_clearance_mm);
  // A share of the way, and the slack of what is proved.
  CHECK(gap <= driver.problem.required_clearance_mm + std::ldexp(100.0, -shares::kHandHalvings) +
                   2.0 * kClearanceSlack_mm);
}

TEST_CASE(
    "a hand that drives at random is never anywhere but where it may be, and can be verified as far as it "
    "is") {
  constexpr unsigned kSeed = 11;
  INFO("seed " << kSeed);
  for (const int locks : {1, 3}) {
    const Driver& driver = driver_of(locks);
    std::mt19937 random(kSeed + static_cast<unsigned>(locks));
    std::uniform_real_distribution<double> any(-1.0, 1.0);
    const double limit = driver.problem.design.segment().curvature_max_per_mm;
    Hand hand;
    int switched = 0;
    for (int turn = 0; turn < 120; ++turn) {
      if (turn % 6 == 5) {
        switched +=
            hand.switch_lock(driver.judge, static_cast<int>(random() % static_cast<unsigned>(locks))).made;
      } else {
        const Eigen::Vector2d u =
            hand.state().u_free + 0.3 * limit * Eigen::Vector2d(any(random), any(random));
        hand.move(driver.judge, std::clamp(hand.state().insertion_mm + 12.0 * any(random), 0.0, 160.0),
                  u.norm() > limit ? Eigen::Vector2d(u * (limit / u.norm())) : u);
      }
      REQUIRE(within_limits(driver.problem.design, hand.state()));
    }
    CHECK(switched > 2);
    CHECK_FALSE(hand.fault(driver.judge));
    check_route(driver, hand.route());
    while (!hand.route().steps.empty()) hand.back();
    CHECK(hand.state() == start_state());
  }
}

TEST_CASE("what a hand does up against the wall, switches included, is what a plan may hold") {
  constexpr unsigned kSeed = 5;
  INFO("seed " << kSeed);
  const Driver& driver = driver_of(2);
  const double limit = driver.problem.design.segment().curvature_max_per_mm;
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  int at_wall = 0, switched = 0;
  for (int run = 0; run < 40; ++run) {
    Hand hand;
    hand.move(driver.judge, 75.0 + 20.0 * any(random), {0.0, 0.0});
    for (int turn = 0; turn < 4; ++turn) {
      // On until the wall stops it, then a lock, which bends the segment to a notch.
      const Eigen::Vector2d u = 0.9 * limit * Eigen::Vector2d(any(random), any(random)).normalized();
      at_wall += !hand.move(driver.judge, hand.state().insertion_mm + 15.0, u).made;
      switched += hand.switch_lock(driver.judge, static_cast<int>(random() % 2)).made;
    }
    const auto refusal = refusal_of(driver.judge, hand.route(), driver.problem.goal);
    INFO((refusal ? refusal->sentence : ""));
    CHECK((!refusal || refusal->fault == PlanFault::target));
  }
  CHECK(at_wall > 20);
  CHECK(switched > 20);
}

TEST_CASE("a lock is switched where a plan may switch it, and nowhere nearer to the wall") {
  const auto file = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/triple-bend/scene.toml";
  SceneKeeper keeper(file);
  const auto scene = keeper.make(withy_test::read_text(file));
  REQUIRE(scene);
  const Driver driver(*scene, *make_problem((*scene)->prepared, 2));
  int made = 0, refused = 0, near = 0;
  // Straight on towards the far wall, both locks engaged.
  for (int i = 0; i <= 100; ++i) {
    State before = start_state();
    before.insertion_mm = 110.2 + 0.0015 * i;
    before.engaged.set(0).set(1);
    before.theta_frozen.assign(2, Eigen::Vector2d::Zero());
    const State after = after_unlock(driver.problem.design, before, 1);
    const auto refusal = refusal_of(driver.judge, Route{{{1, false, after}}, before}, driver.problem.goal);
    const bool plan_may = !refusal || refusal->fault == PlanFault::target;
    CHECK(switch_objection(driver.judge, before, 1, after).empty() == plan_may);
    ++(plan_may ? made : refused);
    near += !plan_may && plain_gap(driver, before) >= driver.problem.required_clearance_mm;
  }
  CHECK(made > 0);
  CHECK(refused > 0);
  CHECK(near > 0);  // too near to be proved
}

TEST_CASE(
    "what is wrong with where the tip stops: its place, its direction or both, told from what is allowed") {
  const Goal goal{{0.0, 0.0, 50.0}, 1.5, Eigen::Vector3d::UnitZ(), 25.0 * kRadiansPerDegree};
  const auto said = [&](double off_mm, double turn_deg) {
    Eigen::Isometry3d tip = Eigen::Isometry3d::Identity();
    tip.translation() = Eigen::Vector3d(off_mm, 0.0, 50.0);
    tip.linear() = Eigen::AngleAxisd(turn_deg * kRadiansPerDegree, Eigen::Vector3d::UnitX()).matrix();
    return target_objection(goal, tip);
  };
  CHECK(said(1.4, 24.0).empty());
  CHECK(said(0.07, 63.0) ==
        "the tip would be at the target, 0.07 mm off, but point 63.0 degrees off the wanted direction (25.0 "
        "allowed)");
  CHECK(said(3.0, 0.0) == "the tip would stop 3.0 mm from the target (1.5 allowed)");
  CHECK(said(1.5004, 0.0) == "the tip would stop 1.5004 mm from the target (1.5000 allowed)");
  CHECK(said(3.0, 30.0) ==
        "the tip would stop 3.0 mm from the target (1.5 allowed) and point 30.0 degrees off the wanted "
        "direction (25.0 allowed)");
}

TEST_CASE("a lock engages on the nearest notch") {
  const Driver& driver = driver_of(1);
  const Design& design = driver.problem.design;
  Hand hand;
  REQUIRE(hand.move(driver.judge, 100.0, {0.0, 0.0}).made);
  REQUIRE(hand.move(driver.judge, 100.0, {0.006, 0.004}).made);
  REQUIRE(hand.switch_lock(driver.judge, 0).made);
  REQUIRE(hand.state().engaged.test(0));
  // Two backbones at 45 and 135 degrees, radius 1.2 mm, notches 0.5 mm apart: slides are whole pitches
  // (model, 4).
  const Eigen::Vector2d theta = hand.state().theta_frozen[0];
  for (const double psi : design.latch()->backbone_angle_rad) {
    const double slide = 1.2 * (std::cos(psi) * theta.x() + std::sin(psi) * theta.y()) / 0.5;
    CHECK(std::abs(slide - std::round(slide)) < 1e-6);
  }
  // None of the notches about it is nearer to the bend that was driven: 48 mm flexible before the lock.
  const Eigen::Vector2d driven = 48.0 * Eigen::Vector2d(0.006, 0.004);
  const double grain = 0.5 / 1.2;
  for (const double sx : {-grain, grain})
    for (const double sy : {-grain, grain}) {
      const Eigen::Vector2d other = theta + 0.70710678 * Eigen::Vector2d(sx - sy, sx + sy);
      CHECK((other - driven).norm() >= (theta - driven).norm() - 1e-9);
    }
  REQUIRE(hand.switch_lock(driver.judge, 0).made);
  CHECK(hand.state().engaged.none());
}

TEST_CASE("what is driven through a place to pass is kept so that a plan passes it there") {
  const Driver& without = driver_of(0);
  SearchProblem problem = without.problem;
  problem.vias = {Goal{{0.0, 0.0, 25.0}, 1.0, std::nullopt, 0.0},
                  Goal{{0.0, 0.0, 12.0}, 1.0, std::nullopt, 0.0}};
  const Driver driver(without.scene, problem);
  // Drawn back and straight the tip is at the entry's middle, so it stands as deep as it was moved in.
  const auto stands_near = [](const Hand& hand, double depth_mm) {
    int states = 0;
    for (const RouteStep& step : hand.route().steps)
      states += std::abs(step.to.insertion_mm - depth_mm) <= 1.0 && step.to.u_free.isZero();
    return states;
  };
  Hand hand;
  REQUIRE(hand.move(driver.judge, 40.0, {0.0, 0.0}).made);
  CHECK(hand.route().steps.size() == 2);
  CHECK(stands_near(hand, 25.0) == 1);
  CHECK(stands_near(hand, 12.0) == 0);  // it is the second to pass
  REQUIRE(hand.move(driver.judge, 50.0, {0.0, 0.0}).made);
  CHECK(hand.route().steps.size() == 2);
  REQUIRE(hand.move(driver.judge, 5.0, {0.0, 0.0}).made);
  REQUIRE(hand.move(driver.judge, 50.0, {0.0, 0.0}).made);
  CHECK(stands_near(hand, 25.0) == 1);
  CHECK(stands_near(hand, 12.0) == 1);
  CHECK_FALSE(hand.fault(driver.judge));
  check_route(driver, hand.route());
  // Without places to pass all of this is one motion.
  Hand plain;
  for (const double depth : {40.0, 50.0, 5.0, 50.0}) plain.move(without.judge, depth, {0.0, 0.0});
  CHECK(plain.route().steps.size() == 1);
}

TEST_CASE("on from anywhere: the hand's own way, then a verified one to the target") {
  const Driver& driver = driver_of(1);
  SolveSettings settings;
  settings.prefer = Preference::quick;
  const Answer answer = solve(driver.problem, settings);
  REQUIRE(answer.plan);
  Route way;
  for (const PlannedAction& action : answer.plan->actions)
    if (action.leg == Leg::in)
      way.steps.push_back({action.lock, action.kind == ActionKind::lock,
                           answer.plan->states[static_cast<std::size_t>(action.to)]});
  Hand hand;
  hand.move(driver.judge, 45.0, {0.0, 0.0});
  hand.move(driver.judge, 45.0, {-0.01, 0.008});
  hand.switch_lock(driver.judge, 0);
  hand.move(driver.judge, 70.0, {0.0, 0.01});
  const Route driven = hand.route();
  REQUIRE(driven.steps.size() >= 3);
  const Route onward = onward_route(driver.judge, driven, way);
  REQUIRE(onward.steps.size() > driven.steps.size());
  for (std::size_t k = 0; k < driven.steps.size(); ++k) CHECK(onward.steps[k].to == driven.steps[k].to);
  const auto plan = make_plan(driver.judge, onward);
  INFO((plan ? "" : plan.error().sentence));
  CHECK(plan);
  check_route(driver, onward);
}
