// SPDX-License-Identifier: GPL-3.0-or-later
// One search for many targets: against closed forms, and against one search for each target.
//
// A straight tube a tenth of a millimetre wider than body and clearance leaves the segment no room to bend
// where it matters; its tip then gets as far along the axis as insertion goes, and a target counts within its
// tolerance.
#include "planner/search/ask/reach_search.h"

#include <random>

#include <catch2/catch.hpp>

#include "planner/search/ask/lumen_lattice.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

const std::vector<TubePath::Bend> kBent = {
    {30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.02, 0.0)}, {15.0, Eigen::Vector2d::Zero()}};

/// Points all over the channel, some of them where no body fits.
std::vector<Eigen::Vector3d> random_targets(const Tube& channel, unsigned seed, std::size_t count) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& p : channel.distance->exact().channel().mesh_E.vertices) box.extend(p);
  std::vector<Eigen::Vector3d> targets;
  while (targets.size() < count) {
    const Eigen::Vector3d p =
        box.min() + Eigen::Vector3d(share(random), share(random), share(random)).cwiseProduct(box.sizes());
    if (channel.distance->exact().inside(p)) targets.push_back(p);
  }
  return targets;
}

std::size_t count_of(const ReachResult& result, Verdict verdict) {
  return static_cast<std::size_t>(std::count(result.verdict.begin(), result.verdict.end(), verdict));
}

}  // namespace

TEST_CASE("On the axis of a straight tube just what insertion and tolerance allow is reached") {
  const double insertion = 100.0;  // that of the segment with a free carriage
  const double tolerance = 1.0;
  const Tube channel = tube({{130.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const Design design = segment({.carriage = CarriageKind::free});
  std::vector<Eigen::Vector3d> targets;
  for (double z = 10.0; z <= 120.0; z += 10.0) targets.emplace_back(0.0, 0.0, z + 0.5);
  ReachSettings settings;
  std::vector<ReachProgress> told;
  settings.progress = [&](const ReachProgress& so_far) { told.push_back(so_far); };
  const ReachResult result =
      search_reach(question(design, channel, targets.front(), tolerance), targets, settings);
  for (std::size_t i = 0; i < targets.size(); ++i) {
    CAPTURE(targets[i].z());
    CHECK(result.verdict[i] ==
          (targets[i].z() <= insertion + tolerance ? Verdict::reached : Verdict::unreachable));
  }
  // What is told on the way: all targets first, a share that never falls, all of it at the end.
  REQUIRE(told.size() > targets.size());
  CHECK(told.front().open() == targets.size());
  CHECK(told.front().share() == 0.0);
  for (std::size_t i = 1; i < told.size(); ++i) CHECK(told[i].share() >= told[i - 1].share());
  CHECK(told.back().share() == 1.0);
  CHECK(told.back().reached == count_of(result, Verdict::reached));
  CHECK(told.back().unreachable == count_of(result, Verdict::unreachable));
}

TEST_CASE("One search for many targets never contradicts a search for each of them") {
  const unsigned seed = 11;
  CAPTURE(seed);
  const Tube channel = tube(kBent, {{0.0, 8.0}});
  const auto targets = random_targets(channel, seed, 16);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide})
    for (const double pitch : {0.5, 0.0}) {
      const Design design = segment({.carriage = carriage, .stations = {30.0}, .notch_pitch = pitch});
      SearchProblem problem = question(design, channel, targets.front(), 1.0);
      ReachSettings settings;
      settings.effort = Effort::of_work(200000);
      const ReachResult result = search_reach(problem, targets, settings);
      CHECK(count_of(result, Verdict::reached) > 0);
      for (std::size_t i = 0; i < targets.size(); ++i) {
        problem.goal.point_E = targets[i];
        RouteSearchSettings alone;
        alone.effort = settings.effort;
        const SearchOutcome outcome = RouteSearch(problem, alone).run(problem.goal);
        CAPTURE(i, pitch, carriage == CarriageKind::guide, targets[i].transpose());
        if (outcome == SearchOutcome::found) CHECK(result.verdict[i] != Verdict::unreachable);
        if (outcome == SearchOutcome::proved_none) CHECK(result.verdict[i] != Verdict::reached);
      }
    }
}

TEST_CASE("Every target called reached has a way in from the start whose every step is allowed") {
  const unsigned seed = 12;
  CAPTURE(seed);
  const Tube channel = tube(kBent, {{0.0, 5.0}});
  const auto targets = random_targets(channel, seed, 40);
  for (const double pitch : {0.5, 0.0}) {
    const Design design = segment({.carriage = CarriageKind::free, .stations = {30.0}, .notch_pitch = pitch});
    SearchProblem problem = question(design, channel, targets.front(), 1.0);
    const Hardware hardware(design);
    const StepJudge judge(problem, hardware);
    std::vector<bool> shown(targets.size(), false);
    int from_known_states = 0;
    ReachSettings settings;
    settings.effort = Effort::of_work(200000);
    settings.reached = [&](std::size_t target, const Route& route) {
      CAPTURE(target, pitch);
      shown[target] = true;
      for (std::size_t i = 0; i < route.steps.size(); ++i) {
        const RouteStep& step = route.steps[i];
        CAPTURE(i);
        CHECK((step.lock < 0 ? judge.motion_allowed(route.state_before(i), step.to)
                             : judge.switch_allowed(route.state_before(i), step.lock, step.to)));
      }
      from_known_states += route.steps.size() > 1;
      // A plan, which withy plan would make of it, measures every motion again.
      SearchProblem alone = problem;
      alone.goal.point_E = targets[target];
      const auto plan = make_plan(StepJudge(alone, hardware), route);
      REQUIRE(plan);
      CHECK(plan->clearance_mm >= problem.required_clearance_mm);
      CHECK((Shape(design, route.steps.back().to).tip_E().translation() - targets[target]).norm() <= 1.0);
    };
    const ReachResult result = search_reach(problem, targets, settings);
    for (std::size_t i = 0; i < targets.size(); ++i)
      CHECK(shown[i] == (result.verdict[i] == Verdict::reached));
    CHECK(from_known_states > 0);
  }
}

TEST_CASE("More work decides more targets and changes no verdict") {
  const unsigned seed = 13;
  CAPTURE(seed);
  const Tube channel = tube(kBent, {{0.0, 8.0}});
  const auto targets = random_targets(channel, seed, 16);
  const Design design = segment({.carriage = CarriageKind::free, .stations = {30.0}, .notch_pitch = 0.5});
  const SearchProblem problem = question(design, channel, targets.front(), 1.0);
  ReachSettings little, much;
  little.effort = Effort::of_work(20000);
  much.effort = Effort::of_work(1000000);
  const ReachResult a = search_reach(problem, targets, little);
  const ReachResult b = search_reach(problem, targets, much);
  CHECK(count_of(a, Verdict::undecided) >= count_of(b, Verdict::undecided));
  for (std::size_t i = 0; i < targets.size(); ++i)
    if (a.verdict[i] != Verdict::undecided && b.verdict[i] != Verdict::undecided)
      CHECK(a.verdict[i] == b.verdict[i]);
}

TEST_CASE("A lattice holds the points of a round tube that a tip fits into, and no others") {
  // Inside a straight tube of radius a and length l the distance to the wall is min(a - r, l - z).
  const double a = 6.0, l = 80.0, spacing = 1.5, need = 1.7;
  const Tube channel = tube({{l, Eigen::Vector2d::Zero()}}, {{0.0, a}});
  const Design design = segment({.carriage = CarriageKind::free});
  const auto lattice = lumen_lattice(channel.distance->exact(), design.segment(), design.carriage(),
                                     need - design.segment().radius_mm, spacing);
  std::size_t sure = 0, possible = 0;
  for (int i = -10; i <= 10; ++i)
    for (int j = -10; j <= 10; ++j)
      for (int k = 1; k * spacing < l; ++k) {
        const double room = std::min(a - spacing * std::hypot(i, j), l - k * spacing);
        sure += room >= need + channel.facets_inside_mm;
        possible += room >= need - 1e-9;
      }
  CHECK(lattice.size() >= sure);
  CHECK(lattice.size() <= possible);
  CHECK(sure > 1000);
  // One more than may be is none.
  const auto at_most = [&](std::size_t most) {
    return lumen_lattice(channel.distance->exact(), design.segment(), design.carriage(),
                         need - design.segment().radius_mm, spacing, 4e6, most)
        .size();
  };
  CHECK(at_most(lattice.size()) == lattice.size());
  CHECK(at_most(lattice.size() - 1) == 0);
}

TEST_CASE("A lattice ends where no insertion gets the tip any more") {
  const Tube channel = tube({{130.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = segment({.carriage = carriage});
    double deepest = 0.0;
    for (const Eigen::Vector3d& p :
         lumen_lattice(channel.distance->exact(), design.segment(), design.carriage(), 0.2, 2.0))
      deepest = std::max(deepest, p.z());
    CHECK(deepest == design.carriage().insertion_max_mm);  // a multiple of the spacing, and on the axis
  }
}
