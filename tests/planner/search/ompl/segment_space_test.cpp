// SPDX-License-Identifier: GPL-3.0-or-later
// The problem as OMPL sees it: what its planners take for granted of a space, and that they find in it what
// the complete search finds.
#include "planner/search/ompl/segment_space.h"

#include <catch2/catch.hpp>
#include <ompl/base/ScopedState.h>
#include <ompl/base/terminationconditions/IterationTerminationCondition.h>
#include <ompl/util/Console.h>
#include <ompl/util/RandomNumbers.h>

#include "planner/search/ompl/ompl_planners.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

TEST_CASE("Control planners reach what the complete search reaches, by allowed actions, and nothing else") {
  ompl::msg::setLogLevel(ompl::msg::LOG_NONE);
  const unsigned seed = 6;
  CAPTURE(seed);
  ompl::RNG::setSeed(seed);
  const Tube channel =
      tube({{30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.01, 0.0)}}, {{0.0, 8.0}});
  const Design design = segment({CarriageKind::free, {30.0}, 0.3});
  // The first target is 50 mm down the channel; the second is beyond the longest insertion's reach.
  const double depth = GENERATE(50.0, 103.1);
  CAPTURE(depth);
  const bool reachable = depth < 100.0;
  const SearchProblem asked = reachable ? question(design, channel, {3.0, 0.0, depth}, 3.0)
                                        : question(design, channel, {0.0, 0.0, depth}, 3.0);
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == (reachable ? SearchOutcome::found : SearchOutcome::proved_none));
  const OmplProblem ompl(asked);
  for (const std::string& name : control_planner_names()) {
    CAPTURE(name);
    const auto planner = control_planner(name, ompl);
    const auto definition = ompl.definition();
    planner->setProblemDefinition(definition);
    planner->setup();
    // Counted in the planner's own rounds, not in seconds.
    ompl::base::IterationTerminationCondition rounds(reachable ? 200000 : 2000);
    planner->solve(rounds);
    REQUIRE(definition->hasExactSolution() == reachable);
    if (!reachable) continue;
    CHECK(definition->getSolutionPath()->check());
    const auto states = states_along(*definition->getSolutionPath());
    const auto route = ompl.route_along(states);
    REQUIRE(route);
    CHECK(asked.goal.holds(Shape(design, states.back()).tip_E()));
  }
}

TEST_CASE("A state between two others is nearer to the second, or the first itself") {
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 8.0}});
  const unsigned seed = 6;
  CAPTURE(seed);
  ompl::RNG::setSeed(seed);
  const Design design = segment({CarriageKind::free, {20.0, 40.0}, 0.3});
  const SearchProblem asked = question(design, channel, {0.0, 0.0, 40.0});
  const OmplProblem ompl(asked);
  const auto& information = *ompl.information();
  const auto sampler = ompl.information()->allocStateSampler();
  ompl::base::ScopedState<SegmentSpace> a(ompl.information());
  ompl::base::ScopedState<SegmentSpace> b(ompl.information());
  ompl::base::ScopedState<SegmentSpace> between(ompl.information());
  int switched = 0;
  for (int trial = 0; trial < 4000; ++trial) {
    CAPTURE(trial);
    sampler->sampleUniform(a.get());
    sampler->sampleUniform(b.get());
    information.getStateSpace()->interpolate(a.get(), b.get(), 0.4, between.get());
    if (between->value == a->value) continue;
    CHECK(information.distance(between.get(), b.get()) < information.distance(a.get(), b.get()));
    if (a->value.engaged != b->value.engaged) ++switched;
  }
  CHECK(switched > 20);
}

TEST_CASE("States are joined back by the steps that joined them, reversed") {
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 8.0}});
  const unsigned seed = 5;
  CAPTURE(seed);
  ompl::RNG::setSeed(seed);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = segment({carriage, {20.0, 40.0}, 0.3});
    const SearchProblem asked = question(design, channel, {0.0, 0.0, 40.0});
    const OmplProblem ompl(asked);
    const auto sampler = ompl.information()->allocStateSampler();
    ompl::base::ScopedState<SegmentSpace> a(ompl.information());
    ompl::base::ScopedState<SegmentSpace> b(ompl.information());
    int switches = 0;
    for (int trial = 0; trial < 2000; ++trial) {
      sampler->sampleUniform(a.get());
      sampler->sampleUniform(b.get());
      const State& from = a->value;
      const State& to = b->value;
      const auto there = joining_steps(design, from, to);
      const auto back = joining_steps(design, to, from);
      REQUIRE(there.has_value() == back.has_value());
      if (!there) continue;
      REQUIRE(there->size() == back->size());
      std::vector<State> passed = {from};
      for (const RouteStep& step : *there) {
        passed.push_back(step.to);
        if (step.lock >= 0) ++switches;
      }
      for (std::size_t i = 0; i < back->size(); ++i) {
        CHECK((*back)[i].to == passed[passed.size() - 2 - i]);
        CHECK((*back)[i].lock == (*there)[there->size() - 1 - i].lock);
      }
    }
    CHECK(switches > 20);
  }
}
