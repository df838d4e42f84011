// SPDX-License-Identifier: GPL-3.0-or-later
// Pulls that make up for what the body gives, played to the elements and to the plain implementation.
#include "planner/elastic/compensate.h"

#include <catch2/catch.hpp>

#include "planner/elastic/elastic_effects.h"
#include "planner/elastic/elastic_report.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "tests/planner/elastic/elastic_designs.h"
#include "tests/planner/elastic/plain_plant.h"

namespace {

using namespace withy;
using namespace withy_test;

/// Steps of the plain body (mm of the ideal tip's way).
constexpr double kPlainStep_mm = 6.0;

/// Advance, bend, lock, bend to the target, and all of it back.
Plan one_lock_plan(const Design& design, const Eigen::Vector2d& first, const Eigen::Vector2d& second) {
  Plan plan;
  plan.states.push_back({start_state()});
  const auto act = [&](ActionKind kind, const State& to, int lock, Leg leg) {
    PlannedAction action;
    action.kind = kind;
    action.leg = leg;
    action.from = static_cast<int>(plan.states.size()) - 1;
    action.to = action.from + 1;
    action.lock = lock;
    plan.actions.push_back(action);
    plan.states.push_back({to});
  };
  const auto bent = [&](const Eigen::Vector2d& u) {
    State to = plan.states.back();
    to.u_free = u;
    return to;
  };
  State in = start_state();
  in.insertion_mm = 70.0;
  act(ActionKind::advance, in, -1, Leg::in);
  act(ActionKind::bend, bent(first), -1, Leg::in);
  act(ActionKind::lock, after_lock(design, plan.states.back(), 0), 0, Leg::in);
  act(ActionKind::bend, bent(second), -1, Leg::in);
  plan.reached_state = static_cast<int>(plan.states.size()) - 1;
  act(ActionKind::bend, bent(first), -1, Leg::out);
  act(ActionKind::unlock, after_unlock(design, plan.states.back(), 0), 0, Leg::out);
  act(ActionKind::bend, bent(Eigen::Vector2d::Zero()), -1, Leg::out);
  act(ActionKind::advance, start_state(), -1, Leg::out);
  return plan;
}

}  // namespace

TEST_CASE("compensated pulls meet slides and target where ideal ones miss them") {
  const Design design = made(usual_parts({50.0}));
  const Plan plan = one_lock_plan(design, {0.016, 0.006}, {-0.004, 0.018});
  const std::size_t reached = static_cast<std::size_t>(plan.reached_state);
  const Eigen::Vector3d target = Shape(design, plan.states[reached]).tip_E().translation();
  const Compensation made_up = compensate(design, plan, {target, std::nullopt, 0.0}, {});
  REQUIRE_FALSE(made_up.fault);
  CHECK(made_up.corrections.at_state.front().isZero(0.0));
  CHECK(made_up.corrections.at_state.back().isZero(0.0));

  const FollowedPlan ideal = follow_plan(design, plan, {}, {});
  const FollowedPlan better = follow_plan(design, plan, made_up.corrections, {});
  REQUIRE(ideal.states.size() == plan.states.size());
  REQUIRE(better.states.size() == plan.states.size());
  CHECK(ideal.states[reached].tip_shift_mm > 1.0);
  CHECK(better.states[reached].tip_shift_mm < 0.2 * ideal.states[reached].tip_shift_mm);
  CHECK(ideal.actions[2].slide_error_mm > 0.02);
  CHECK(better.actions[2].slide_error_mm < 2e-3);
  // Where the lock opens, the latch carries hardly anything.
  CHECK(better.states[5].reading.lock_load_Nmm[0] < 0.1);
  CHECK_FALSE(broken_limit(design, plan, better));

  // The plain body, played the same pulls, is where the elements are.
  const auto tip = PlainPlant(design, design, plan, kPlainStep_mm).tip_E(made_up.corrections);
  REQUIRE(tip);
  CHECK((*tip - better.states[reached].reading.tip_E.translation()).norm() < 0.02);
}

TEST_CASE("compensated pulls still help on a bench whose numbers are a few per cent off") {
  const Design design = made(usual_parts({50.0}));
  std::mt19937 engine(29);
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  std::vector<double> ratio;
  for (int run = 0; run < 12; ++run) {
    const double turn = M_PI * even(engine);
    const Eigen::Vector2d first = 0.018 * Eigen::Vector2d(std::cos(turn), std::sin(turn));
    const Plan plan = one_lock_plan(design, first, Eigen::Vector2d(0.02 * even(engine), 0.02 * even(engine)));
    const std::size_t reached = static_cast<std::size_t>(plan.reached_state);
    const Eigen::Vector3d target = Shape(design, plan.states[reached]).tip_E().translation();
    FollowSettings coarse;
    coarse.step_mm = 2.0;
    const Compensation made_up = compensate(design, plan, {target, std::nullopt, 0.0}, coarse);
    REQUIRE_FALSE(made_up.fault);
    // Two per cent of stiffness and mass, a tenth of the friction: about what a fit leaves open
    // (tools/bench/elastic takes them from fits).
    DesignParts plant = usual_parts({50.0});
    plant.elastic->tendon_EA_N *= 1.0 + 0.02 * even(engine);
    plant.elastic->backbone_EA_N *= 1.0 + 0.02 * even(engine);
    plant.elastic->mass_g_per_mm *= 1.0 + 0.02 * even(engine);
    plant.tendons->friction_coefficient *= 1.0 + 0.1 * even(engine);
    const Design off = made(plant);
    PlainPlant bench(off, design, plan, kPlainStep_mm);
    const auto with = bench.tip_E(made_up.corrections);
    const auto without_them = bench.tip_E({});
    if (!with || !without_them) continue;
    ratio.push_back((*with - target).norm() / (*without_them - target).norm());
  }
  REQUIRE(ratio.size() >= 8);
  std::sort(ratio.begin(), ratio.end());
  WARN("tip error with compensated over that with ideal pulls, median of " << ratio.size() << ": "
                                                                           << ratio[ratio.size() / 2]);
  CHECK(ratio[ratio.size() / 2] < 0.2);
}

namespace {

/// tip^2 + (10 mm * angle)^2 against the planned body, the contract's least squares.
double off_plan(const Design& design, const Plan& plan, const FollowedPlan& followed, std::size_t state) {
  const Eigen::Isometry3d planned = Shape(design, plan.states[state]).tip_E();
  const Eigen::Isometry3d& tip = followed.states[state].reading.tip_E;
  const double angle = std::acos(std::min(1.0, planned.linear().col(2).dot(tip.linear().col(2))));
  return (planned.translation() - tip.translation()).squaredNorm() + std::pow(10.0 * angle, 2);
}

}  // namespace

TEST_CASE("on the way out compensated pulls are no worse than ideal ones or those of the way in") {
  // Locked straight, advanced, bent to the target, drawn back the same way.
  DesignParts parts = usual_parts({50.0});
  parts.segment.flexural_rigidity_Nmm2 = 900.0;
  parts.elastic->tendon_EA_N = 9817.0;
  parts.elastic->backbone_EA_N = 5773.0;
  parts.elastic->mass_g_per_mm = 0.025;
  parts.elastic->torsional_rigidity_Nmm2 = 720.0;
  const Design design = made(parts);
  Plan plan;
  plan.states.push_back({start_state()});
  const auto act = [&](ActionKind kind, const State& to, int lock) {
    PlannedAction action;
    action.kind = kind;
    action.from = static_cast<int>(plan.states.size()) - 1;
    action.to = action.from + 1;
    action.lock = lock;
    plan.actions.push_back(action);
    plan.states.push_back({to});
  };
  const auto moved = [&](double insertion_mm, double bend) {
    State to = plan.states.back();
    to.insertion_mm = insertion_mm;
    to.u_free = {bend, 0.0};
    return to;
  };
  act(ActionKind::lock, after_lock(design, plan.states.back(), 0), 0);
  act(ActionKind::advance, moved(42.4, 0.0), -1);
  act(ActionKind::steer, moved(75.4, 0.0175), -1);
  plan.reached_state = 3;
  act(ActionKind::steer, moved(42.4, 0.0), -1);
  act(ActionKind::advance, moved(0.0, 0.0), -1);
  act(ActionKind::unlock, after_unlock(design, plan.states.back(), 0), 0);
  const Eigen::Vector3d target = Shape(design, plan.states[3]).tip_E().translation();
  FollowSettings settings = script_settings();
  const Compensation made_up = compensate(design, plan, {target, std::nullopt, 0.0}, settings);
  REQUIRE_FALSE(made_up.fault);
  settings.elements = kUsualElements;
  settings.step_mm = 1.0;
  const FollowedPlan better = follow_plan(design, plan, made_up.corrections, settings);
  const FollowedPlan ideal = follow_plan(design, plan, {}, settings);
  PullCorrections as_in = made_up.corrections;
  as_in.at_state[4] = as_in.at_state[2];
  const FollowedPlan likewise = follow_plan(design, plan, as_in, settings);
  REQUIRE_FALSE(better.fault);
  constexpr double kElements = 0.05;  // what coarser elements and steps of the search may cost
  for (const std::size_t state : {std::size_t{2}, std::size_t{4}})
    CHECK(off_plan(design, plan, better, state) < off_plan(design, plan, ideal, state));
  CHECK(off_plan(design, plan, better, 4) < off_plan(design, plan, likewise, 4) + kElements);
}

TEST_CASE("where the nearest tip to the target is out of its direction, the nearest that is not is taken") {
  const Design design = made(usual_parts({}));
  State there = start_state();
  there.insertion_mm = 60.0;
  there.u_free = {0.012, 0.0};
  const Plan plan = there_and_back(there);
  const Eigen::Isometry3d tip_E = Shape(design, there).tip_E();
  // Nine degrees further round than the tip that is nearest.
  const double turn = std::atan2(tip_E(0, 2), tip_E(2, 2)) + M_PI / 20.0;
  ElasticTarget target{tip_E.translation(), Eigen::Vector3d(std::sin(turn), 0.0, std::cos(turn)),
                       5.0 * M_PI / 180.0};
  const FollowSettings settings = script_settings();
  const auto tip_with = [&](const PullCorrections& pulls) {
    return follow_plan(design, plan, pulls, settings).states.at(1).reading.tip_E;
  };
  target.tolerance_mm = 0.5;
  const Compensation near = compensate(design, plan, target, settings);
  REQUIRE_FALSE(near.fault);
  CHECK(target.miss_mm(tip_with(near.corrections)) < 0.5);
  CHECK(target.direction_error_rad(tip_with(near.corrections)) > target.direction_tolerance_rad);
  target.tolerance_mm = 8.0;
  const Compensation turned = compensate(design, plan, target, settings);
  REQUIRE_FALSE(turned.fault);
  CHECK(target.direction_error_rad(tip_with(turned.corrections)) <= target.direction_tolerance_rad);
  // All pulls about these, on a grid: none keeps the direction and is nearer by more than the cone's spare.
  double nearest = kInfinity;
  for (int i = -10; i <= 10; ++i)
    for (int j = -4; j <= 4; ++j) {
      PullCorrections pulls = turned.corrections;
      const Eigen::Vector2d more(0.02 * i, 0.02 * j);
      pulls.at_state[1] += Eigen::Vector4d(more.x(), more.y(), -more.x(), -more.y());
      const Eigen::Isometry3d tip = tip_with(pulls);
      if (target.direction_error_rad(tip) <= target.direction_tolerance_rad)
        nearest = std::min(nearest, target.miss_mm(tip));
    }
  CAPTURE(nearest);
  REQUIRE(std::isfinite(nearest));
  CHECK(target.miss_mm(tip_with(turned.corrections)) < nearest + 0.4);
}

TEST_CASE("pulls are searched where friction of stiff tendons makes kinks") {
  const Design design = with_stiff_tendons(10.0, 4e5, 50.0);
  State there = start_state();
  there.insertion_mm = 63.41;
  there.u_free = {0.004073, 0.0020365};
  const Plan plan = there_and_back(there);
  const Eigen::Vector3d target = Shape(design, there).tip_E().translation();
  const FollowSettings settings = script_settings();
  const Compensation made_up = compensate(design, plan, {target, std::nullopt, 0.0}, settings);
  REQUIRE_FALSE(made_up.fault);
  const auto miss = [&](const Eigen::Vector4d& more) {
    PullCorrections pulls = made_up.corrections;
    pulls.at_state[1] += more;
    const FollowedPlan followed = follow_plan(design, plan, pulls, settings);
    return followed.states.size() < 2 ? 1e3
                                      : (followed.states[1].reading.tip_E.translation() - target).norm();
  };
  CHECK(miss(Eigen::Vector4d::Zero()) < 0.25);  // slopes alone leave 0.75
}

TEST_CASE("only effects that the design has are told, and the most of them where all can be") {
  DesignParts parts = usual_parts({});
  parts.tendons->friction_coefficient = 0.0;
  const Design design = made(parts);
  CHECK(has(design, Effect::tendon_stretch));
  CHECK(has(design, Effect::weight));
  CHECK_FALSE(has(design, Effect::friction));
  CHECK_FALSE(has(design, Effect::backbone_stretch));
  CHECK_FALSE(has(design, Effect::backlash));
  ElasticReport report;
  report.effects = {{Effect::tendon_stretch, 1.0, 0.4}, {Effect::weight, 0.3, 0.6}};
  REQUIRE(largest_effect(report));
  CHECK(largest_effect(report)->effect == Effect::weight);
  report.effects.front().left_out_mm = kInfinity;
  CHECK_FALSE(largest_effect(report));
  report.effects = {{Effect::tendon_stretch, 0.0, 1e-5}};
  CHECK_FALSE(largest_effect(report));
}

TEST_CASE("all that the elastic body does not keep is named") {
  const Design design = made(usual_parts({50.0}));
  const Plan plan = one_lock_plan(design, {0.016, 0.006}, {-0.004, 0.018});
  const Eigen::Vector3d target =
      Shape(design, plan.states[static_cast<std::size_t>(plan.reached_state)]).tip_E().translation();
  FollowedPlan followed = follow_plan(design, plan, {}, {});
  REQUIRE_FALSE(followed.fault);
  followed.clearance_mm = -0.5;
  const auto fails = what_fails(design, plan, {{target, std::nullopt, 0.0, 0.1}, 0.2}, followed);
  REQUIRE(fails);
  CHECK(fails->find("misses the target by") == 0);
  CHECK(fails->find(" and touches the wall (-0.50 mm)") != std::string::npos);
}

TEST_CASE("a look that may take little ends early and says so") {
  const Design design = made(usual_parts({50.0}));
  const Plan plan = one_lock_plan(design, {0.016, 0.006}, {-0.004, 0.018});
  const Effort little = Effort::of_work(1000);
  FollowSettings settings;
  settings.effort = &little;
  CHECK(compensate(design, plan, {}, settings).fault == ElasticFault::cut_short);
  const FollowedPlan followed = follow_plan(design, plan, {}, settings);
  CHECK(followed.fault == ElasticFault::cut_short);
  CHECK(followed.states.size() < plan.states.size());
  CHECK(followed.work >= little.work());
  CHECK(followed.work < 10 * little.work());
  CHECK(what_fails(design, plan, {}, followed) == "was not looked at to the end");
  settings.effort = nullptr;
  CHECK(follow_plan(design, plan, {}, settings).work > followed.work);
}

TEST_CASE("each effect alone and left out") {
  const Design design = made(usual_parts({50.0}));
  const Plan plan = one_lock_plan(design, {0.016, 0.006}, {-0.004, 0.018});
  FollowSettings coarse;
  coarse.step_mm = 2.0;
  const auto shifts = effect_shifts(design, plan, {}, coarse);
  REQUIRE(shifts.size() == kEffects.size());
  for (const EffectShift& shift : shifts) {
    CHECK(shift.alone_mm > 1e-3);
    CHECK(shift.alone_mm < 20.0);
  }
  const Design none = without(design, {kEffects.begin(), kEffects.end()});
  const FollowedPlan ideal = follow_plan(none, plan, {}, coarse);
  CHECK(ideal.states[static_cast<std::size_t>(plan.reached_state)].tip_shift_mm < 2e-3);
}
