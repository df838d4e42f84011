// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/plan_check.h"

#include <algorithm>
#include <functional>

#include <catch2/catch.hpp>

#include "planner/script/replay.h"
#include "planner/script/script.h"
#include "tests/support/bench_plan.h"

using namespace withy;
using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

std::optional<PlanDefect> fault_of(const Bench& bench, const Plan& plan, double required_mm = 0.2) {
  return plan_defect(plan, {bench.scene(), bench.verifier(), required_mm});
}

/// The first action of that kind.
std::size_t first(const Plan& plan, ActionKind kind) {
  std::size_t k = 0;
  while (plan.actions[k].kind != kind) ++k;
  return k;
}

void scale_field(Plan& plan, double factor) {
  PlannedAction& action = plan.actions[first(plan, ActionKind::lock)];
  *action.field_S *= factor;
  for (double& current : action.current_A) current *= factor;
}

struct Tampering {
  const char* what;
  std::function<void(Plan&)> change;
  const char* said;  ///< in the fault
};

const Tampering kTamperings[] = {
    {"inserted too far",
     [](Plan& p) { p.states[static_cast<std::size_t>(p.reached_state)].insertion_mm = 5000.0; },
     "outside 0 to"},
    {"inserted backwards", [](Plan& p) { p.states[1].insertion_mm = -50.0; }, "outside 0 to"},
    {"bent too far",
     [](Plan& p) {
       p.states[static_cast<std::size_t>(p.reached_state)].u_free = {10.0, 0.0};
     },
     "bends more than its limit"},
    {"actions in reverse", [](Plan& p) { std::reverse(p.actions.begin(), p.actions.end()); }, ""},
    {"an action left out", [](Plan& p) { p.actions.erase(p.actions.begin() + 1); },
     "the one before it ended in"},
    {"no way back", [](Plan& p) { p.actions.resize(p.actions.size() - 1); }, "does not end as it began"},
    {"a start that is none", [](Plan& p) { p.actions.erase(p.actions.begin()); }, "does not begin"},
    {"a target that is not met", [](Plan& p) { p.reached_state = 0; }, "from the target"},
    {"another lock", [](Plan& p) { p.actions[first(p, ActionKind::lock)].lock = 5; }, "no such lock"},
    {"no field", [](Plan& p) { p.actions[first(p, ActionKind::lock)].field_S.reset(); }, "names no field"},
    {"a field too weak", [](Plan& p) { scale_field(p, 0.1); }, ""},
    {"a field too strong", [](Plan& p) { scale_field(p, 100.0); }, ""},
    {"a current that does not make the field",
     [](Plan& p) { p.actions[first(p, ActionKind::lock)].current_A.front() += 0.1; }, "coil"},
    {"a current left out", [](Plan& p) { p.actions[first(p, ActionKind::lock)].current_A.pop_back(); },
     "a current for each coil"},
    {"a lock on another bend",
     [](Plan& p) {
       State& held = p.states[static_cast<std::size_t>(p.actions[first(p, ActionKind::lock)].to)];
       held.theta_frozen.front() += Eigen::Vector2d(0.01, 0.0);
     },
     ""},
    {"the way in after the way out", [](Plan& p) { p.actions.front().leg = Leg::out; }, "leads in after"},
};

}  // namespace

TEST_CASE("A plan that was worked out by hand holds, with a free carriage and with a guide") {
  for (const BenchOptions& options : {BenchOptions{}, BenchOptions{.guide = true, .disk_spacing_mm = 10.0},
                                      BenchOptions{.field = false}, BenchOptions{.latch = false}}) {
    const Bench bench(options);
    const auto fault = fault_of(bench, bench.plan());
    INFO((fault ? fault->problem : ""));
    CHECK_FALSE(fault.has_value());
  }
}

TEST_CASE("A plan that was tampered with does not hold, and it is said where") {
  const Bench bench;
  for (const Tampering& t : kTamperings) {
    Plan plan = bench.plan();
    t.change(plan);
    CAPTURE(t.what);
    const auto fault = fault_of(bench, plan);
    REQUIRE(fault.has_value());
    CAPTURE(fault->problem);
    CHECK(fault->problem.find(t.said) != std::string::npos);
    CHECK(fault->action < static_cast<int>(plan.actions.size()));
  }
}

TEST_CASE("A hunt that a plan says is made is judged again") {
  const Bench bench(BenchOptions{.hunt_mm = 0.1});
  const Plan plan = bench.plan();
  const std::size_t k = first(plan, ActionKind::lock);
  REQUIRE(plan.actions[k].hunt.has_value());
  REQUIRE(plan.actions[k].hunt->made());
  CHECK_FALSE(fault_of(bench, plan).has_value());

  Plan other = plan;
  other.actions[k].hunt->radius_mm = 5.0;
  auto fault = fault_of(bench, other);
  REQUIRE(fault.has_value());
  CHECK(fault->problem.find("another than the scene's") != std::string::npos);
  CHECK(fault->action == static_cast<int>(k));

  other = plan;
  other.actions[k].hunt->turns += 1;
  CHECK(fault_of(bench, other).has_value());
}

TEST_CASE("A field may pass its limit by rounding, and by no more, in a plan; by steps in its script") {
  for (const bool coils : {false, true}) {
    const Bench bench({.coils = coils});
    const Plan plan = bench.plan();
    const auto& action = plan.actions[first(plan, ActionKind::lock)];
    const double used_mT = *action.field_largest_mT;
    const auto limited = [&](double limit_mT) {
      DesignParts parts = bench.design().parts();
      parts.field->strength_max_mT = limit_mT;
      return *Design::make(std::move(parts));
    };
    const auto fault_with = [&](double limit_mT) {
      const Design design = limited(limit_mT);
      const MotionVerifier verifier(design, bench.verifier().distance());
      return plan_defect(plan, {bench.scene(), verifier, 0.2});
    };
    CHECK_FALSE(fault_with(used_mT));
    CHECK_FALSE(fault_with(used_mT * (1.0 - 1e-9)));
    for (const double share : {1e-8, 1e-6, 1e-5}) {
      const auto fault = fault_with(used_mT * (1.0 - share));
      REQUIRE(fault);
      CAPTURE(share, fault->problem);
      CHECK(fault->problem.find("the field is") != std::string::npos);
    }
    // The script of a plan on its limit replays as sound; one whose field is 1e-5 too strong does not.
    for (const double share : {0.0, 1e-5}) {
      const Design design = limited(used_mT);
      const MotionVerifier verifier(design, bench.verifier().distance());
      auto script = make_script(bench.scene(), design, plan);
      REQUIRE(script);
      for (Waypoint& row : script->waypoints) {
        row.field_S *= 1.0 + share;
        for (double& current : row.current_A) current *= 1.0 + share;
      }
      CHECK(replay(*script, bench.scene(), verifier).good() == (share == 0.0));
    }
  }
}

TEST_CASE("Of a plan that was made the clearances are believed, and nothing else") {
  const Bench bench;
  const auto fault_of_made = [&](const Plan& plan, double required_mm = 0.2) {
    return withy::made_plan_defect(plan, {bench.scene(), bench.verifier(), required_mm});
  };
  CHECK_FALSE(fault_of_made(bench.plan()).has_value());
  CHECK(fault_of_made(bench.plan(), 60.0).has_value());
  for (const Tampering& t : kTamperings) {
    Plan plan = bench.plan();
    t.change(plan);
    CAPTURE(t.what);
    CHECK(fault_of_made(plan).has_value());
  }
  for (std::size_t k = 0; k < bench.plan().actions.size(); ++k) {
    Plan plan = bench.plan();
    plan.actions[k].clearance_mm = 0.1;
    const auto fault = fault_of_made(plan);
    REQUIRE(fault.has_value());
    CHECK(fault->action == static_cast<int>(k));
    // Verified anew, the same plan holds.
    CHECK_FALSE(fault_of(bench, plan).has_value());
  }
}

TEST_CASE("A plan does not hold at a clearance that it does not keep") {
  const Bench bench;
  const auto fault = plan_defect(bench.plan(), {bench.scene(), bench.verifier(), 60.0});
  REQUIRE(fault.has_value());
  CHECK(fault->action >= 0);
}

TEST_CASE("A plan that begins with a lock engaged begins on its notches") {
  const Bench bench;
  Plan plan = bench.plan();
  const std::size_t k = first(plan, ActionKind::lock);
  plan.actions.erase(plan.actions.begin(), plan.actions.begin() + static_cast<std::ptrdiff_t>(k) + 1);
  plan.states.erase(plan.states.begin(), plan.states.begin() + plan.actions.front().from);
  const int gone = plan.actions.front().from;
  for (PlannedAction& action : plan.actions) {
    action.from -= gone;
    action.to -= gone;
  }
  plan.reached_state -= gone;
  plan.from_elsewhere = true;
  const auto fault = fault_of(bench, plan);
  CAPTURE(fault ? fault->problem : "");
  CHECK_FALSE(fault.has_value());
  plan.states.front().theta_frozen.front().x() += 1e-4;  // far less than the window of a bench
  const auto between = fault_of(bench, plan);
  REQUIRE(between.has_value());
  CHECK(between->problem.find("between its notches where the plan begins") != std::string::npos);
}
