// SPDX-License-Identifier: GPL-3.0-or-later
// Where to put the locks: against the whole grid tried one by one, and in a channel that leaves one window of
// stations.
#include "planner/search/layouts/place_search.h"

#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>

#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

const std::vector<TubePath::Bend> kBent = {
    {30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.02, 0.0)}, {15.0, Eigen::Vector2d::Zero()}};

/// A bend that no segment without a lock follows this far, but one with a lock does.
SearchProblem bent_problem(const Tube& channel, const std::vector<double>& stations) {
  return question(segment({.carriage = CarriageKind::free, .stations = stations, .notch_pitch = 0.5}),
                  channel, {14.0, 0.0, 66.0}, 1.0);
}

PlaceSettings small_grid() {
  PlaceSettings settings;
  settings.station_step_mm = 8.0;
  settings.keep = 1;
  settings.effort = Effort::of_work(400000);
  settings.polish_trials = 0;
  return settings;
}

SearchOutcome ask(const SearchProblem& problem) {
  RouteSearchSettings bounded;
  bounded.effort = Effort::of_work(400000);
  return RouteSearch(problem, bounded).run(problem.goal);
}

}  // namespace

TEST_CASE("No layout of the grid, tried alone, reaches with more clearance than the best that was placed") {
  const Tube channel = tube(kBent, {{0.0, 8.0}});
  const PlaceSettings settings = small_grid();
  const PlaceResult result = search_place(bent_problem(channel, {30.0}), settings);
  REQUIRE(result.best.size() == 1);
  const double best = result.best.front().plan.clearance_mm;
  // Brute force: every station that the segment can have, asked for clearly more than the best.
  std::size_t stations = 0;
  for (double s = 8.0; s < 60.0; s += 8.0) {
    if (s + 2.0 > 60.0 - 2.0) continue;  // the lock's body, 4 mm long, would stand in the tip span of 2 mm
    ++stations;
    SearchProblem one = bent_problem(channel, {s});
    one.required_clearance_mm = best + 0.06;
    CAPTURE(s, best);
    CHECK(ask(one) != SearchOutcome::found);
  }
  CHECK(result.stations == stations);
  CHECK(result.reached + result.unreachable + result.no_better_found + result.undecided == stations);
  // And the best is what it says: its every motion keeps that clearance, as far as figures are sharp.
  SearchProblem one = bent_problem(channel, result.best.front().layout.station_mm);
  one.required_clearance_mm = best - kClearanceSlack_mm;
  const Hardware hardware(one.design);
  const StepJudge judge(one, hardware);
  const Plan& plan = result.best.front().plan;
  for (const PlannedAction& action : plan.actions) {
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    const State& to = plan.states[static_cast<std::size_t>(action.to)];
    CHECK((action.lock < 0 ? judge.motion_allowed(from, to) : judge.switch_allowed(from, action.lock, to)));
  }
  CHECK(one.goal.holds(Shape(one.design, plan.states[static_cast<std::size_t>(plan.reached_state)]).tip_E()));
}

TEST_CASE("Trying between the points of the grid makes the best no worse, and the same every time") {
  const Tube channel = tube(kBent, {{0.0, 8.0}});
  const SearchProblem problem = bent_problem(channel, {30.0});
  PlaceSettings settings = small_grid();
  settings.effort = Effort::of_work(60000);
  const PlaceResult grid = search_place(problem, settings);
  settings.polish_trials = 4;
  const PlaceResult first = search_place(problem, settings);
  const PlaceResult second = search_place(problem, settings);
  REQUIRE_FALSE(first.best.empty());
  CHECK(first.best.front().plan.clearance_mm >= grid.best.front().plan.clearance_mm);
  CHECK(first.best.front().plan.clearance_mm == second.best.front().plan.clearance_mm);
  CHECK(first.best.front().layout.station_mm == second.best.front().layout.station_mm);
  CHECK(first.work == second.work);
}

TEST_CASE("Where the tip can't get there with any layout, the whole grid is proved not to reach") {
  const Tube channel = tube({{130.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const SearchProblem problem =
      question(segment({.carriage = CarriageKind::free, .stations = {30.0}, .notch_pitch = 0.5}), channel,
               {0.0, 0.0, 120.0});
  const PlaceResult result = search_place(problem, small_grid());  // insertion ends at 100
  CHECK(result.best.empty());
  CHECK(result.unreachable == result.stations);
  CHECK(result.stations > 0);
}

TEST_CASE(
    "In a fold that only a short distal part can turn, locks are placed within the window that geometry "
    "leaves") {
  // The free region is what lies beyond the lock; to turn by an angle A at the curvature limit it takes a
  // flexible length of A / kappa. The target lies beyond a turn of 60 degrees (26.2 mm at 0.04 per mm) in a
  // tube that the straight part must not sweep, so the lock stands at 60 - 2 (tip) - 26.2 + 2 (half its body)
  // mm or less.
  const double turn = std::numbers::pi / 3.0;
  const Tube channel = tube({{45.0, Eigen::Vector2d::Zero()},
                             {turn / 0.04, Eigen::Vector2d(0.04, 0.0)},
                             {12.0, Eigen::Vector2d::Zero()}},
                            {{0.0, 4.5}});
  // The end of the turn: (1 - cos) / kappa aside of the axis, sin / kappa along it.
  Goal goal;
  goal.point_E = {(1.0 - std::cos(turn)) / 0.04, 0.0, 45.0 + std::sin(turn) / 0.04};
  goal.tolerance_mm = 1.0;
  goal.direction_E = Eigen::Vector3d(std::sin(turn), 0.0, std::cos(turn));
  const double off = 0.1;  // rad that the direction may be off, and so may the turn
  goal.direction_tolerance_rad = off;
  SearchProblem problem =
      question(segment({.carriage = CarriageKind::free, .stations = {30.0}, .notch_pitch = 0.5}), channel,
               goal.point_E);
  problem.goal = goal;
  PlaceSettings settings = small_grid();
  settings.station_step_mm = 4.0;
  settings.keep = 20;
  const PlaceResult result = search_place(problem, settings);
  REQUIRE_FALSE(result.best.empty());
  const double least_free = (turn - off) / 0.04;
  for (const PlacedDesign& design : result.best) {
    const State& end = design.plan.states[static_cast<std::size_t>(design.plan.reached_state)];
    CAPTURE(design.layout.station_mm.front(), end.u_free.norm());
    // A frozen bend may share in the turn; where the proximal part is straight the window is sharp.
    const double frozen = end.theta_frozen.empty() ? 0.0 : end.theta_frozen.front().norm();
    const double free_length = 60.0 - 2.0 - design.layout.station_mm.front() - 2.0;
    if (end.engaged.any()) CHECK(free_length + frozen / 0.04 >= least_free - 1e-6);
  }
}

TEST_CASE("The grid has just the stations that fit, and every clocking of the locks but the first") {
  DesignParts parts =
      segment({.carriage = CarriageKind::free, .stations = {30.0}, .notch_pitch = 0.5}).parts();
  // Bodies 4 mm long on [0, 58]: stations 4, 8, .. 56 for one lock; two locks at least 4 mm apart.
  CHECK(grid_stations(parts, 1, 4.0).size() == 14);
  CHECK(grid_stations(parts, 2, 4.0).size() == 14 * 13 / 2);
  CHECK(grid_stations(parts, 2, 2.0).size() == 28 * 27 / 2 - 27);  // 2, 4, .. 56, less neighbours 2 mm apart
  CHECK(grid_clockings(parts, 3, std::numbers::pi / 4.0).size() == 1);  // no field: no clocking matters
  parts.field = FieldHardware{10.0, Eigen::Vector3d::Constant(1.8), Eigen::Matrix3d::Identity()};
  CHECK(grid_clockings(parts, 1, std::numbers::pi / 4.0).size() == 1);
  CHECK(grid_clockings(parts, 3, std::numbers::pi / 4.0).size() == 64);
  CHECK(clocking_count(parts, 3, std::numbers::pi / 4.0) == 64.0);
}
