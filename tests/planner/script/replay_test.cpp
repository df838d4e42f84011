// SPDX-License-Identifier: GPL-3.0-or-later
// Sound scripts must replay as sound, and every way of spoiling one must be found at the row that was
// spoiled. Clearances are held against the plain implementation's dense sampling.
#include "planner/script/replay.h"

#include <algorithm>
#include <functional>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "tests/support/plain_clearance.h"
#include "tests/support/plain_twin.h"
#include "tests/support/stopped_effort.h"

using withy::ReplayCause;
using withy::ReplayReport;
using withy::Script;
using withy::Waypoint;
using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

/// The script as it comes back from a file, so that rows know their lines.
Script script_of(const Bench& bench) {
  const auto script = withy::make_script(bench.scene(), bench.design(), bench.plan());
  REQUIRE(script);
  auto back = withy::read_csv(withy::write_csv(*script), "script.csv");
  REQUIRE(back);
  return *back;
}

/// The first row after the start whose action is the given one.
std::size_t first_row(const Script& script, const std::string& action) {
  for (std::size_t i = 1; i < script.waypoints.size(); ++i)
    if (script.waypoints[i].action == action) return i;
  FAIL("no such action");
  return 0;
}

ReplayReport run(const Bench& bench, const Script& script) {
  return withy::replay(script, bench.scene(), bench.verifier());
}

/// Spoils a sound script and wants the fault found at row `row` (line row + 2: the header, and lines count
/// from 1).
void check_found(const Bench& bench, const Script& spoiled, std::size_t row, ReplayCause cause) {
  const ReplayReport report = run(bench, spoiled);
  REQUIRE(report.fault);
  CAPTURE(report.fault->problem, report.fault->remedy);
  CHECK(report.fault->cause == cause);
  CHECK(report.fault->line == static_cast<int>(row) + 2);
}

/// Least clearance over all of a plan's motions, densely sampled.
double plain_clearance(const Bench& bench) {
  const auto robot = withy_test::plain_robot(bench);
  const withy_plain::Wall wall(
      withy_plain::make_solid(withy_plain::read_mesh(robot.scene.mesh_path, 1.0), robot.scene));
  double least = withy::kInfinity;
  for (const auto& action : bench.plan().actions) {
    if (action.lock >= 0) continue;
    const auto from =
        withy_test::plain_state(bench.design(), bench.plan().states[static_cast<std::size_t>(action.from)]);
    const auto to =
        withy_test::plain_state(bench.design(), bench.plan().states[static_cast<std::size_t>(action.to)]);
    least = std::min(least, withy_plain::least_clearance(robot, wall, from, to).minimum_mm);
  }
  return least;
}

}  // namespace

TEST_CASE("A sound script replays as sound, whatever the bench, from CSV and from ISO 6983") {
  for (const BenchOptions& options :
       {BenchOptions{.half_width_mm = 46.0}, BenchOptions{.guide = true, .half_width_mm = 60.0},
        BenchOptions{.disk_spacing_mm = 10.0, .half_width_mm = 46.0},
        BenchOptions{.guide = true, .standing_motors = true, .disk_spacing_mm = 12.0, .half_width_mm = 60.0},
        BenchOptions{.field = false, .half_width_mm = 46.0}, BenchOptions{.coils = true},
        BenchOptions{.latch = false, .half_width_mm = 46.0}, BenchOptions{.hunt_mm = 0.1},
        BenchOptions{.hunt_mm = 0.1, .coils = true},
        BenchOptions{.guide = true, .disk_spacing_mm = 12.0, .hunt_mm = 0.1}}) {
    const Bench bench(options);
    const Script script = script_of(bench);
    const auto program =
        withy::read_iso6983(withy::write_iso6983(script, bench.scene()), "s.ngc", *bench.scene().actuation);
    REQUIRE(program);
    CAPTURE(options.guide, options.disk_spacing_mm, options.standing_motors, options.field, options.latch);
    const double plain = plain_clearance(bench);
    for (const Script& form : {script, *program}) {
      const ReplayReport report = run(bench, form);
      INFO((report.fault ? report.fault->problem : std::string("sound")));
      REQUIRE(report.good());
      CHECK(report.switches == 2);
      CHECK_THAT(report.tip_error_mm, Catch::Matchers::WithinAbs(0.3, 1e-3));
      CHECK(report.hunts == (options.hunt_mm > 0.0 ? 1 : 0));
      // Within the unit's deviation and the verification's slack of what dense sampling finds on the plan. A
      // sweep may come nearer to the wall than the plan's motions.
      CHECK(report.clearance_mm <= plain + 0.01);
      if (options.hunt_mm == 0.0) CHECK(report.clearance_mm >= plain - 0.01 - 0.05);
    }
  }
}

TEST_CASE("A replay that is cut short at any row says so, and is not sound") {
  const Bench bench(BenchOptions{.half_width_mm = 46.0});
  const Script script = script_of(bench);
  for (const int questions : {0, 1, 5}) {
    REQUIRE(static_cast<std::size_t>(questions) + 1 < script.waypoints.size());
    withy::ReplayTask task;
    task.effort = withy_test::stopped_after(questions);
    const ReplayReport report = withy::replay(script, bench.scene(), bench.verifier(), task);
    CHECK_FALSE(report.fault);
    CHECK_FALSE(report.good());
    // The effort is asked before each row after the first.
    const std::size_t next = static_cast<std::size_t>(questions) + 1;
    REQUIRE(report.cut_short_at_line);
    CHECK(*report.cut_short_at_line == script.waypoints[next].line);
  }
}

TEST_CASE("Extremes are those of the plan's states where pulls are linear") {
  const Bench bench;
  const ReplayReport report = run(bench, script_of(bench));
  const auto robot = withy_test::plain_robot(bench);
  double pull = 0.0;
  double tension = 0.0;
  double moment = 0.0;
  double field = 0.0;
  for (const withy::State& state : bench.plan().states) {
    const auto plain = withy_test::plain_state(bench.design(), state);
    for (const double p : withy_plain::pulls(robot, plain)) pull = std::max(pull, std::abs(p));
    const auto tensions = withy_plain::base_tensions(robot, plain);
    for (const double t : tensions.value()) tension = std::max(tension, t);
    for (const double m : withy_plain::lock_moments(robot, plain)) moment = std::max(moment, m);
  }
  for (const auto& action : bench.plan().actions)
    if (action.field_S) field = std::max(field, action.field_S->norm());
  CHECK_THAT(report.pull_max_mm, Catch::Matchers::WithinAbs(pull, 1e-5));
  CHECK_THAT(report.tension_max_N, Catch::Matchers::WithinAbs(tension, 1e-3));
  CHECK_THAT(report.lock_moment_max_Nmm, Catch::Matchers::WithinAbs(moment, 1e-2));
  CHECK_THAT(report.field_max_mT, Catch::Matchers::WithinAbs(field, 1e-5));
}

TEST_CASE("A hand-edited bend that touches the wall is found at its line") {
  const Bench bench({.half_width_mm = 46.0});
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "bend");
  script.waypoints[row].pull_mm[0] += 0.25;
  script.waypoints[row].pull_mm[2] -= 0.25;
  check_found(bench, script, row, ReplayCause::clearance);
}

TEST_CASE("A move whose ends are clear but whose way touches the wall is found") {
  // Bent by 0.02 per mm the segment reaches some 105 mm deep at this insertion, straight it reaches 155 mm,
  // in a box of 150 mm: swinging from one side to the other it goes through the end wall.
  const Bench bench({.depth_mm = 150.0});
  Script script = script_of(bench);
  script.waypoints.resize(1);
  const double pull = 1.2 * 93.0 * 0.02;
  const auto add = [&](double insertion, double drawn) {
    Waypoint row = script.waypoints.front();
    row.step = static_cast<int>(script.waypoints.size());
    row.line = row.step + 2;
    row.insertion_mm = insertion;
    row.pull_mm = {drawn, 0.0, -drawn, 0.0};
    script.waypoints.push_back(row);
  };
  add(0.0, pull);
  add(155.0, pull);
  check_found(bench, script, 2, ReplayCause::way_back);  // so far so good: only the way back is missing
  add(155.0, -pull);
  check_found(bench, script, 3, ReplayCause::clearance);
}

TEST_CASE("An advance that is too long is found at its line") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "steer");
  script.waypoints[row].insertion_mm = 170.0;
  check_found(bench, script, row, ReplayCause::insertion);
}

TEST_CASE("One tendon drawn alone is a bend that no tendons make") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "bend");
  script.waypoints[row].pull_mm[0] += 0.1;
  check_found(bench, script, row, ReplayCause::pulls_disagree);
}

TEST_CASE("A bend beyond the segment's curvature is found") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "bend");
  script.waypoints[row].pull_mm = {4.6, 0.0, -4.6, 0.0};  // u = 4.6 / (1.2 * 93) = 0.0412 per mm
  check_found(bench, script, row, ReplayCause::curvature);
}

TEST_CASE("A lock engaged off its notches is found at the switch, one within the window is not") {
  const Bench bench({.field = false});
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "lock");
  const auto shift = [&](double slide_mm) {
    Script spoiled = script;
    // Backbones at 45 degrees and the tendons' radius: a pull along tendon 1 of p over the whole flexible
    // length (93 mm) slides the backbones at the lock by p cos(45) 48 / 93.
    const double pull = slide_mm / (std::sqrt(0.5) * 48.0 / 93.0);
    for (std::size_t i = row - 1; i <= row + 1; ++i) {
      spoiled.waypoints[i].pull_mm[0] += pull;
      spoiled.waypoints[i].pull_mm[2] -= pull;
    }
    return spoiled;
  };
  check_found(bench, shift(0.021), row, ReplayCause::latch);
  const ReplayReport near = run(bench, shift(0.019));  // the latch pulls it in; later rows are as they were
  CHECK(near.good());
}

TEST_CASE("A lock let go while the curvatures on its sides differ is found at the switch") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "unlock");
  for (std::size_t i = row - 1; i <= row + 1; ++i) {
    script.waypoints[i].pull_mm[1] += 0.05;
    script.waypoints[i].pull_mm[3] -= 0.05;
  }
  check_found(bench, script, row, ReplayCause::snap);
}

TEST_CASE("A field that is too weak, too strong, turned or taken away is found at the switch") {
  const Bench bench;
  const Script script = script_of(bench);
  const std::size_t row = first_row(script, "lock");
  const auto with_field = [&](const Eigen::Vector3d& field) {
    Script spoiled = script;
    Waypoint& w = spoiled.waypoints[row];
    w.field_S = field;
    w.current_A = {field.y() / 1.8, field.z() / 1.5, field.x() / 2.1};  // coil_axes of the bench
    return spoiled;
  };
  const Eigen::Vector3d field = script.waypoints[row].field_S;
  CHECK(run(bench, with_field(field * 1.01)).good());
  check_found(bench, with_field(field * 0.99), row, ReplayCause::field);
  check_found(bench, with_field(field * 12.1 / field.norm()), row, ReplayCause::field);
  check_found(bench, with_field(-field), row, ReplayCause::field);
  check_found(bench, with_field(Eigen::Vector3d::Zero()), row, ReplayCause::field);
}

TEST_CASE("Currents that make another field than the row says are found") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "lock");
  script.waypoints[row].current_A[1] += 0.01;
  check_found(bench, script, row, ReplayCause::currents);
}

TEST_CASE(
    "A lock left out is found where its absence shows, a row that moves with the field on where it moves") {
  const Bench bench;
  Script without = script_of(bench);
  for (Waypoint& row : without.waypoints) row.engaged.reset();
  const ReplayReport report = run(bench, without);
  REQUIRE(report.fault);
  CHECK(report.fault->cause ==
        ReplayCause::target);  // the same pulls without the lock bring the tip elsewhere

  Script humming = script_of(bench);
  const std::size_t row = first_row(humming, "lock");
  for (std::size_t i = row + 1; i <= row + 2; ++i)
    humming.waypoints[i].field_S = humming.waypoints[row].field_S;
  check_found(bench, humming, row + 2, ReplayCause::field_while_moving);
}

TEST_CASE("A script that ends early is found at its end, one that does not start at zero at its start") {
  const Bench bench;
  Script script = script_of(bench);
  script.waypoints.pop_back();
  check_found(bench, script, script.waypoints.size() - 1, ReplayCause::way_back);
  Script late = script_of(bench);
  late.waypoints[0].insertion_mm = 5.0;
  check_found(bench, late, 0, ReplayCause::start);
}

TEST_CASE("A script that misses the target says how near it came, at the row that came nearest") {
  const Bench bench;
  Script script = script_of(bench);
  const std::size_t row = first_row(script, "steer");
  script.waypoints[row].insertion_mm -= 2.0;
  const ReplayReport report = run(bench, script);
  REQUIRE(report.fault);
  CHECK(report.fault->cause == ReplayCause::target);
  CHECK(report.fault->line == static_cast<int>(row) + 2);
  CHECK(report.tip_error_mm > 1.0);
  CHECK(report.tip_error_mm < 2.5);
}

TEST_CASE("A script that leaves out a place to pass, or takes two in the wrong order, is found") {
  const Bench bench;
  const Script script = script_of(bench);
  // Where the plain implementation has the tip half way in, and at the start.
  const auto robot = withy_test::plain_robot(bench);
  const auto tip_S = [&](int state) {
    const auto plain =
        withy_test::plain_state(bench.design(), bench.plan().states[static_cast<std::size_t>(state)]);
    const Eigen::Vector3d tip_E = withy_plain::Body(robot, plain).point_E(robot.scene.length_mm);
    return Eigen::Vector3d(bench.scene().entry.X_SE * tip_E);
  };
  const int middle = bench.plan().reached_state / 2;
  REQUIRE((tip_S(middle) - tip_S(0)).norm() > 2.0);
  const withy::Target half_way{tip_S(middle), 0.5, std::nullopt, 0.0};
  const withy::Target at_start{tip_S(0), 0.5, std::nullopt, 0.0};
  withy::Target elsewhere = half_way;
  elsewhere.point_S.x() += 500.0;
  const auto fault_with = [&](std::vector<withy::Target> vias) {
    withy::Scene scene = bench.scene();
    scene.vias = std::move(vias);
    return withy::replay(script, scene, bench.verifier()).fault;
  };
  CHECK_FALSE(fault_with({half_way}));
  CHECK_FALSE(fault_with({at_start, half_way}));
  for (const auto& vias : {std::vector{elsewhere}, std::vector{half_way, elsewhere}}) {
    const auto fault = fault_with(vias);
    REQUIRE(fault);
    CHECK(fault->cause == ReplayCause::target);
    CHECK(fault->problem.find("place " + std::to_string(vias.size()) + " of those to pass") !=
          std::string::npos);
    CHECK(fault->line > 1);
  }
  // The start is passed again on the way out, past the target.
  const auto late = fault_with({half_way, at_start});
  REQUIRE(late);
  CHECK(late->cause == ReplayCause::target);
  CHECK(late->problem.find("not again after the places to pass") != std::string::npos);
}

TEST_CASE("A script with another number of tendons than the scene is refused") {
  const Bench three({.tendon_angles = "0.0, 120.0, 240.0", .axes = R"("A", "B", "C")"});
  const Bench four;
  const ReplayReport report = withy::replay(script_of(three), four.scene(), four.verifier());
  REQUIRE(report.fault);
  CHECK(report.fault->cause == ReplayCause::axes);
}

TEST_CASE(
    "Way-points taken out of a curved motion are noticed by what the unit then does, not by their absence") {
  // With disks one linear move of the axes from straight to bent leaves the manifold of possible pulls by
  // more than a script may.
  const Bench bench({.disk_spacing_mm = 25.0});
  Script script = script_of(bench);
  const std::size_t first = first_row(script, "bend");
  std::size_t last = first;
  while (script.waypoints[last + 1].action == "bend") ++last;
  REQUIRE(last > first);
  script.waypoints.erase(script.waypoints.begin() + static_cast<std::ptrdiff_t>(first),
                         script.waypoints.begin() + static_cast<std::ptrdiff_t>(last));
  const ReplayReport report = run(bench, script);
  REQUIRE(report.fault);
  CHECK(report.fault->cause == ReplayCause::pulls_disagree);
  CHECK(report.fault->line == static_cast<int>(last) + 2);
}

namespace {

/// First and last row of the sweep.
std::pair<std::size_t, std::size_t> hunt_rows(const Script& script) {
  const std::size_t first = first_row(script, "hunt");
  std::size_t last = first;
  while (script.waypoints[last + 1].action == "hunt") ++last;
  return {first, last};
}

}  // namespace

TEST_CASE("A sweep that leaves out a turn, falls short of the rim or ends elsewhere is found") {
  const Bench bench({.hunt_mm = 0.1});
  const Script sound = script_of(bench);
  const auto [first, last] = hunt_rows(sound);
  const auto turn = static_cast<std::size_t>(bench.plan().actions[2].hunt->corners_per_turn);
  const auto without = [&](std::size_t from, std::size_t to) {
    Script script = sound;
    const auto at = script.waypoints.begin();
    script.waypoints.erase(at + static_cast<std::ptrdiff_t>(from), at + static_cast<std::ptrdiff_t>(to));
    for (std::size_t i = 0; i < script.waypoints.size(); ++i) {
      script.waypoints[i].step = static_cast<int>(i);
      script.waypoints[i].line = static_cast<int>(i) + 2;
    }
    return script;
  };
  const auto cause_of = [&](const Script& script) {
    const ReplayReport report = run(bench, script);
    REQUIRE(report.fault);
    return report.fault->cause;
  };
  REQUIRE(run(bench, without(last + 10, last + 10)).good());
  CHECK(cause_of(without(first + 1 + turn, first + 1 + 2 * turn)) == ReplayCause::hunt);
  CHECK(cause_of(without(last - turn, last)) == ReplayCause::hunt);
  CHECK(cause_of(without(last, last + 1)) == ReplayCause::hunt);
  // Without the switch's own row the lock engages in the next, whose field is off; without any there is none.
  CHECK(cause_of(without(last + 1, last + 2)) == ReplayCause::field);
  CHECK(cause_of(without(last + 1, sound.waypoints.size())) == ReplayCause::hunt);
}

TEST_CASE("A field that is too weak while the body sweeps is found, strong as it is at the switch") {
  for (const bool coils : {false, true}) {
    const Bench bench({.hunt_mm = 0.1, .coils = coils});
    Script script = script_of(bench);
    const auto [first, last] = hunt_rows(script);
    REQUIRE(run(bench, script).good());
    for (std::size_t i = first; i <= last; ++i) {
      script.waypoints[i].field_S *= 0.6;
      for (double& I : script.waypoints[i].current_A) I *= 0.6;
    }
    check_found(bench, script, first + 1, ReplayCause::field);
  }
}

TEST_CASE("A sweep through the wall is found, whether the latch has dropped in or not") {
  // Half as wide again as the motions need: the sweep's 9 mm of tip go through the wall.
  const Bench bench({.hunt_mm = 0.1, .half_width_mm = 46.0});
  const auto& hunt = *bench.plan().actions[2].hunt;
  CAPTURE(hunt.clearance_mm, hunt.objection);
  withy::Plan plan = bench.plan();
  plan.actions[2].hunt->objection.clear();
  const auto script = withy::make_script(bench.scene(), bench.design(), plan);
  REQUIRE(script);
  const ReplayReport report = run(bench, *script);
  CHECK(hunt.made() == report.good());
  if (report.fault) CHECK(report.fault->cause == ReplayCause::clearance);
}

TEST_CASE("With coils the replay goes by their currents: too weak, left on, or too many amperes is found") {
  const Bench bench({.coils = true});
  const Script script = script_of(bench);
  const std::size_t row = first_row(script, "lock");
  REQUIRE(run(bench, script).good());
  CHECK(run(bench, script).field_reserve > 1.5 - 1e-4);
  const auto scaled = [&](double share) {
    Script other = script;
    other.waypoints[row].field_S *= share;
    for (double& I : other.waypoints[row].current_A) I *= share;
    return other;
  };
  CHECK(run(bench, scaled(0.9)).good());
  check_found(bench, scaled(0.66), row, ReplayCause::field);
  check_found(bench, scaled(3.0), row, ReplayCause::field);
  Script without_command = script;
  without_command.waypoints[row].current_A.assign(4, 0.0);
  check_found(bench, without_command, row, ReplayCause::field);
  Script left_on = script;
  for (std::size_t i = row + 1; i <= row + 2; ++i)
    left_on.waypoints[i].current_A = script.waypoints[row].current_A;
  check_found(bench, left_on, row + 2, ReplayCause::field_while_moving);
}
