// SPDX-License-Identifier: GPL-3.0-or-later
// The complete search on channels whose answer is known by construction.
//
// A straight tube of radius a lets a body of radius R through on its axis with clearance a - R, less what its
// facets cut into it (the channel maker's own figure). A straight segment that never has to bend reaches any
// depth in it; so the verdict for a target on the axis flips at a = R + c.
#include "planner/search/route/route_search.h"

#include <memory>
#include <random>
#include <sstream>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/links.h"
#include "planner/search/ask/solve.h"
#include "planner/search/ompl/ompl_planners.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

RouteSearchSettings bounded() {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  return settings;
}

}  // namespace

TEST_CASE(
    "The verdict in a straight tube flips where the lumen is as wide as body and clearance, and is never "
    "wrong beside it") {
  const double critical = kRadius + kRequired;
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide})
    for (const double off : {-0.10, -0.05, 0.05, 0.30}) {
      const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, critical + off}});
      const double margin = off - (off > 0.0 ? channel.facets_inside_mm : 0.0);
      CAPTURE(off, margin, carriage == CarriageKind::guide);
      const Design design = segment({carriage, {}, 0.0});
      const SearchProblem asked = question(design, channel, {0.0, 0.0, 40.0});
      RouteSearchSettings settings = bounded();
      settings.effort = Effort::of_work(4000000);
      RouteSearch search(asked, settings);
      const SearchOutcome outcome = search.run(asked.goal);
      if (margin < 0.0) CHECK(outcome == SearchOutcome::proved_none);
      // Within a tenth of a millimetre of the critical radius the work may run out, but no proof may go
      // wrong.
      if (margin > 0.0) CHECK(outcome != SearchOutcome::proved_none);
      if (margin > 0.2) CHECK(outcome == SearchOutcome::found);
    }
}

TEST_CASE("A target beyond every possible tip is proved unreachable before any body is placed") {
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const Design design = segment({});
  const SearchProblem asked = question(design, channel, {0.0, 0.0, 120.0});  // insertion ends at 100
  RouteSearch search(asked, bounded());
  CHECK(search.run(asked.goal) == SearchOutcome::proved_none);
  CHECK(search.coverage().cells_examined > 0);
}

TEST_CASE("A route's every motion and switch is allowed, before and after tidying, and ends at the target") {
  const Tube channel = tube(
      {{30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.02, 0.0)}, {15.0, Eigen::Vector2d::Zero()}},
      {{0.0, 8.0}});
  for (const double pitch : {0.5, 0.0}) {
    CAPTURE(pitch);
    const Design design = segment({CarriageKind::free, {30.0}, pitch});
    const SearchProblem asked = question(design, channel, {14.0, 0.0, 66.0}, 2.0);
    RouteSearch search(asked, bounded());
    REQUIRE(search.run(asked.goal) == SearchOutcome::found);
    const Hardware hardware(asked.design);
    const StepJudge judge(asked, hardware);
    const Route tidied = tidy(judge, search.route());
    CHECK(tidied.steps.size() <= search.route().steps.size());
    for (const Route* route : {&search.route(), &tidied}) check_allowed(judge, *route);
    CHECK(asked.goal.holds(Shape(design, tidied.steps.back().to).tip_E()));
    const auto plan = make_plan(judge, tidied);
    REQUIRE(plan);
    CHECK(plan->states.front() == start_state());
    CHECK(plan->states.back() == start_state());
    CHECK(plan->clearance_mm >= kRequired);
  }
}

TEST_CASE("Any lock switch between two leaves lies in the boxes of a link, on both sides") {
  const unsigned seed = 20;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide})
    for (const double pitch : {0.5, 0.0}) {
      const Design design = segment({carriage, {20.0, 40.0}, pitch});
      const BendChart chart(design, true);
      int switched = 0;
      for (int trial = 0; trial < 4000; ++trial) {
        // A state with the free region's curvature set so that lock 1 or 2 can be engaged on a notch.
        State before;
        before.insertion_mm = 30.0 + 28.0 * std::abs(uniform(random));
        const int lock = trial % 2;
        const double f = exposed_flexible_length(design, before.insertion_mm, 0.0, design.station_mm(lock));
        if (f < 1.0) continue;
        const Eigen::Vector2d wish = kCurvatureMax * f * Eigen::Vector2d(uniform(random), uniform(random));
        const auto theta = latched_bend(*design.latch(), wish);
        const auto bases = chart.bases_near(Eigen::Vector2d::Zero(), wish, 0.6);
        if (bases.empty()) continue;
        before.u_free = (pitch > 0.0 ? bases.front() : *theta) / f;
        if (before.u_free.norm() > kCurvatureMax) continue;
        State after = after_lock(design, before, lock);
        Box box = whole_leaf(design, chart, leaf_of(chart, before));
        for (int k = 0; k < 3; ++k) {  // a random box about the state
          const double x = coordinates_of(chart, before)[Box::idx(k)];
          const double size = (k == 0 ? 5.0 : 0.005) * std::abs(uniform(random));
          box.low[Box::idx(k)] = std::max(box.low[Box::idx(k)], x - size);
          box.high[Box::idx(k)] = std::min(box.high[Box::idx(k)], x + size);
        }
        std::vector<SwitchLink> links;
        links_of(design, chart, leaf_of(chart, before), box, links);
        const auto there = coordinates_of(chart, after);
        const bool covered = std::any_of(links.begin(), links.end(), [&](const SwitchLink& link) {
          if (link.lock != lock || !link.engages || link.other.key() != leaf_of(chart, after).key())
            return false;
          for (int k = 0; k < link.there.dimensions; ++k)
            if (there[Box::idx(k)] < link.there.low[Box::idx(k)] - 1e-9 ||
                there[Box::idx(k)] > link.there.high[Box::idx(k)] + 1e-9)
              return false;
          return true;
        });
        CAPTURE(trial, lock, pitch);
        REQUIRE(covered);
        ++switched;
      }
      CHECK(switched > 500);
    }
}

TEST_CASE(
    "A proof of unreachability holds against random states: none that is free and at the target lies outside "
    "the reached cells") {
  // The tube is too tight past its middle for the body, so a target beyond is unreachable; free states at the
  // target do not exist, and the reached cells are all within the proof's file.
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 1.6}});
  const Design design = segment({});
  const SearchProblem asked = question(design, channel, {0.0, 0.0, 40.0}, 2.0);
  RouteSearch search(asked, bounded());
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  const unsigned seed = 21;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  const Hardware hardware(asked.design);
  const StepJudge judge(asked, hardware);
  for (int trial = 0; trial < 500; ++trial) {
    State state;
    state.insertion_mm = 40.0 + 2.0 * uniform(random);
    state.u_free = 2e-4 * Eigen::Vector2d(uniform(random), uniform(random));
    CAPTURE(trial);
    if (asked.goal.holds(Shape(design, state).tip_E())) CHECK_FALSE(judge.motion_allowed(state, state));
  }
}

TEST_CASE(
    "A search with a limit on switches finds what needs no more, and proves none where that is too few") {
  // Only what is past the narrow part can bend, and the target stands beside the axis.
  const Tube narrow =
      tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 2.4}, {20.0, 2.4}, {24.0, 15.0}, {70.0, 15.0}});
  const Eigen::Vector3d beside(11.04, 0.0, 50.86);
  const SearchProblem lockless = question(segment({CarriageKind::free}), narrow, beside);
  CHECK(RouteSearch(lockless, bounded()).run(lockless.goal) == SearchOutcome::proved_none);
  const SearchProblem locked = question(segment({CarriageKind::free, {30.0}, 0.5}), narrow, beside);
  RouteSearchSettings settings = bounded();
  settings.direct_work = 0;
  settings.most_switches = 0;
  CHECK(RouteSearch(locked, settings).run(locked.goal) == SearchOutcome::proved_none);
  settings.most_switches = 1;
  CHECK(RouteSearch(locked, settings).run(locked.goal) == SearchOutcome::found);
}

TEST_CASE("A plan says nothing of what fewer switches can't do: no certificate bears that out") {
  const Tube narrow =
      tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 2.4}, {20.0, 2.4}, {24.0, 15.0}, {70.0, 15.0}});
  const Answer answer =
      solve(question(segment({CarriageKind::free, {30.0}, 0.5}), narrow, {11.04, 0.0, 50.86}), {});
  REQUIRE(answer.verdict == Verdict::reached);
  CHECK(answer.why.find("proved") == std::string::npos);
  CHECK(answer.why.find("fewer") == std::string::npos);
}

TEST_CASE("A stock planner's route on the same problem is allowed step by step") {
  const Tube channel =
      tube({{30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.01, 0.0)}}, {{0.0, 8.0}});
  const Design design = segment({});
  const SearchProblem asked = question(design, channel, {3.0, 0.0, 50.0}, 3.0);
  const OmplProblem ompl(asked);
  const auto route = route_by_stock_planner("rrt-connect", ompl, Effort::of_seconds(30.0), 1);
  REQUIRE(route);
  for (std::size_t i = 0; i < route->steps.size(); ++i)
    CHECK(ompl.judge().motion_allowed(route->state_before(i), route->steps[i].to));
  CHECK(asked.goal.holds(Shape(design, route->steps.back().to).tip_E()));
}
