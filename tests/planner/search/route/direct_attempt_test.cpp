// SPDX-License-Identifier: GPL-3.0-or-later
// The short attempt: it finds simple ways whose answer is known by construction, gives out only what is
// allowed, and turns no "no" into a "yes".
#include "planner/search/route/direct_attempt.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

constexpr std::int64_t kAmple = 1000000;

struct Attempted {
  std::optional<Route> route;
  std::int64_t work = 0;
};

Attempted attempt(const SearchProblem& asked, int most_switches, std::int64_t most_work = kAmple) {
  const BendChart chart(asked.design, true);
  CellProbe probe(asked, chart);
  const StepJudge judge(asked, probe.hardware());
  DirectAttempt direct(asked.goal, probe, judge);
  Attempted out;
  out.route = direct.run(most_switches, Effort::of_work(most_work));
  out.work = direct.work();
  if (out.route) check_allowed(judge, *out.route);
  return out;
}

/// The body's least clearance over the route by plain sampling: exact distances, half a millimetre along the
/// body, a fiftieth of each motion.
double sampled_clearance(const SearchProblem& asked, const Route& route) {
  double least = 1e9;
  for (std::size_t i = 0; i < route.steps.size(); ++i)
    for (int k = 0; k <= 50; ++k) {
      const State state = route.steps[i].lock >= 0
                              ? route.steps[i].to
                              : interpolate(route.state_before(i), route.steps[i].to, k / 50.0);
      const Shape shape(asked.design, state);
      for (double s = 0.0; s <= asked.design.length_mm(); s += 0.5) {
        const Eigen::Vector3d p = shape.point_E(s);
        if (p.z() > 0.0)
          least = std::min(least, asked.distance->signed_exact(p) - asked.design.body_radius(s));
      }
    }
  return least;
}

/// A wide chamber, and a target that a lock half-way reaches by an S in one plane: as far beside the axis as
/// two equal and opposite bends take it, in the axis' own direction. Without a lock the tip's direction is
/// that of the one arc's end: within 5 degrees of the axis the tip is at most 60 mm sin 5 degrees = 5.3 mm
/// beside it, and the target 13 mm.
SearchProblem planar_s(const Tube& chamber, const Design& design) {
  const BendChart chart(design, true);
  const double f = design.flexible_length(0.0, design.station_mm(0));
  State s_bend;
  s_bend.engaged.set(0);
  // The latchable bend nearest to a curvature of 0.03 per mm.
  const auto bends = chart.bases_near(Eigen::Vector2d::Zero(), {0.03 * f, 0.0}, 0.3);
  REQUIRE(!bends.empty());
  s_bend.theta_frozen.push_back(bends.front());
  s_bend.u_free = -bends.front() / design.flexible_length(design.station_mm(0), design.length_mm());
  s_bend.insertion_mm = 70.0;
  SearchProblem asked = question(design, chamber, Shape(design, s_bend).tip_E().translation(), 1.0);
  asked.goal.direction_E = Eigen::Vector3d::UnitZ();
  asked.goal.direction_tolerance_rad = 5.0 * M_PI / 180.0;
  REQUIRE(asked.goal.point_E.head<2>().norm() > 10.0);
  return asked;
}

}  // namespace

TEST_CASE("Along a circle a guided body is bent to the circle's curvature outside and advanced") {
  // The one way there is in a tube this narrow: the body lies along the circle all the time.
  const double kappa = 0.02;
  const double s = 35.0;
  const Tube channel = tube({{45.0, Eigen::Vector2d(kappa, 0.0)}}, {{0.0, kRadius + kRequired + 0.8}});
  const Design design = segment({CarriageKind::guide, {}, 0.0, kRadius, 0.0});
  const Eigen::Vector3d target((1.0 - std::cos(kappa * s)) / kappa, 0.0, std::sin(kappa * s) / kappa);
  const SearchProblem asked = question(design, channel, target, 0.5);
  const Attempted tried = attempt(asked, 0);
  REQUIRE(tried.route);
  CHECK(tried.route->switches() == 0);
  const State& end = tried.route->steps.back().to;
  CHECK((Shape(design, end).tip_E().translation() - target).norm() <= 0.5);
  CHECK(std::abs(end.insertion_mm - s) < 0.6);
  // The tip's tolerance over the lever s^2 / 2 of curvature.
  CHECK((end.u_free - Eigen::Vector2d(kappa, 0.0)).norm() < 0.5 / (0.5 * s * s) + 1e-4);
  CHECK(sampled_clearance(asked, *tried.route) >= kRequired);
}

TEST_CASE("An S takes one lock, and the short attempt finds it only where a switch is allowed") {
  const Tube chamber = tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 24.0}}, 2.0);
  const Design design = segment({CarriageKind::free, {30.0}, 0.3});
  const SearchProblem asked = planar_s(chamber, design);
  CHECK(!attempt(asked, 0).route);
  const Attempted tried = attempt(asked, 1);
  REQUIRE(tried.route);
  CHECK(tried.route->switches() == 1);
  const Eigen::Isometry3d tip = Shape(design, tried.route->steps.back().to).tip_E();
  CHECK((tip.translation() - asked.goal.point_E).norm() <= 1.0);
  CHECK(tip.linear().col(2).z() >= std::cos(5.0 * M_PI / 180.0));
  CHECK(sampled_clearance(asked, *tried.route) >= kRequired);
}

TEST_CASE("A search that may not switch proves that the S needs a switch, and looks at no leaf with a lock") {
  const Tube chamber = tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 24.0}}, 2.0);
  const SearchProblem asked = planar_s(chamber, segment({CarriageKind::free, {30.0}, 0.3}));
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  CHECK(search.run(asked.goal) == SearchOutcome::found);
  CHECK(search.route().switches() == 1);
  settings.most_switches = 0;
  RouteSearch without(asked, settings);
  CHECK(without.run(asked.goal) == SearchOutcome::proved_none);
}

TEST_CASE("What the cells prove unreachable the short attempt does not reach") {
  const unsigned seed = 31;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  int proved = 0;
  int reached = 0;
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Tube channel = tube({{25.0, Eigen::Vector2d::Zero()}, {30.0, Eigen::Vector2d(0.02, 0.0)}},
                              {{0.0, 4.0}, {25.0, 4.0}, {35.0, 9.0}, {55.0, 9.0}}, 1.0);
    const Design design = segment({carriage, {30.0}, 0.6});
    for (int trial = 0; trial < 8; ++trial) {
      const Eigen::Vector3d target(3.0 + 9.0 * uniform(random), 6.0 * uniform(random),
                                   40.0 + 12.0 * uniform(random));
      CAPTURE(trial, carriage == CarriageKind::guide, target.transpose());
      const SearchProblem asked = question(design, channel, target, 0.7);
      RouteSearchSettings settings;
      settings.effort = Effort::of_work(500000);
      settings.direct_work = 0;
      RouteSearch cells(asked, settings);
      const SearchOutcome outcome = cells.run(asked.goal);
      const Attempted tried = attempt(asked, 2);
      if (outcome == SearchOutcome::proved_none) {
        ++proved;
        CHECK(!tried.route);
      }
      if (!tried.route) continue;
      ++reached;
      CHECK(asked.goal.holds(Shape(design, tried.route->steps.back().to).tip_E()));
      CHECK(sampled_clearance(asked, *tried.route) >= kRequired);
    }
  }
  CHECK(proved > 3);
  CHECK(reached > 3);
}

TEST_CASE("The short attempt gives the same answer for the same work, and does not go beyond its work") {
  const Tube chamber = tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 24.0}}, 2.0);
  const SearchProblem asked = planar_s(chamber, segment({CarriageKind::free, {20.0, 40.0}, 0.3}));
  const Attempted once = attempt(asked, 2);
  const Attempted again = attempt(asked, 2);
  CHECK(once.work == again.work);
  REQUIRE(once.route.has_value() == again.route.has_value());
  if (once.route) {
    REQUIRE(once.route->steps.size() == again.route->steps.size());
    for (std::size_t i = 0; i < once.route->steps.size(); ++i)
      CHECK(once.route->steps[i].to == again.route->steps[i].to);
  }
  // No single thing it does between two looks at its account takes more than a look for room.
  for (const std::int64_t most : {0, 10, 100, 1000}) CHECK(attempt(asked, 2, most).work <= most + 500);
}
