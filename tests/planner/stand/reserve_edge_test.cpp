// SPDX-License-Identifier: GPL-3.0-or-later
// An adversary at the reserve's edge. A bad bench is sought among errors of x times their size; then the body
// is made as thick, or the target as small, that this very bench just fails. So x times the errors is just
// above what the plan can stand: the reserve must stay below x, and no bench within the reserve may fail.
#include <functional>
#include <random>

#include <catch2/catch.hpp>

#include "planner/stand/improve.h"
#include "planner/stand/standing.h"
#include "tests/planner/stand/shipped_case.h"

using namespace withy;
using namespace withy::testing;

namespace {

/// How near a bench is to failing: the less, the nearer, below 0 it does. At or above `enough` any value that
/// is no less will do.
using Margin = std::function<double(const ErrorDraw&, double enough)>;

struct Found {
  ErrorDraw errors;
  double margin = kInfinity;
};

/// The worst of some extreme benches, made worse by changing one error after another.
Found worst_bench(const Design& design, const ErrorSizes& sizes, const Margin& margin,
                  std::mt19937_64& generator) {
  constexpr int kDrawn = 40;
  constexpr int kChanges = 120;
  Found worst;
  const auto take = [&](const ErrorDraw& errors) {
    const double found = margin(errors, worst.margin);
    if (found < worst.margin) worst = {errors, found};
  };
  for (int i = 0; i < kDrawn; ++i) take(extreme(design, sizes, generator));
  for (int i = 0; i < kChanges; ++i) {
    ErrorDraw changed = worst.errors;
    changed.take(static_cast<ErrorKind>(i % static_cast<int>(kErrorKinds)),
                 extreme(design, sizes, generator));
    take(changed);
  }
  return worst;
}

Margin from_wall(const Case& of) {
  return [&of, motions = motions_of(of.plan, MotionVerifier(of.problem->design, *of.problem->distance))](
             const ErrorDraw& errors, double enough) {
    const Bench bench(of.problem->design, errors, middle_of(of.problem->distance->exact().channel()));
    double least = kInfinity;
    for (const PlannedMotion& motion : motions)
      least =
          std::min(least, bench.clearance(motion, *of.problem->distance, std::min(enough, least)).upper_mm);
    return least;
  };
}

Margin from_missing(const Case& of) {
  return [&of](const ErrorDraw& errors, double) {
    const Bench bench(of.problem->design, errors, middle_of(of.problem->distance->exact().channel()));
    const State& reached = of.plan.states[static_cast<std::size_t>(of.plan.reached_state)];
    return of.problem->goal.tolerance_mm - bench.tip_error(reached, of.problem->goal);
  };
}

/// The body is as much thicker.
void thicken(Case& of, double by_mm) {
  DesignParts parts = of.problem->design.parts();
  parts.segment.radius_mm += by_mm;
  if (parts.lock) parts.lock->body_radius_mm += by_mm;
  of.problem->design = *Design::make(std::move(parts));
}

struct Edge {
  const char* scene;
  int locks;
  bool wall;
  double times;  ///< the usual errors: where the edge is put
};

/// Puts the edge and asks for the reserve.
void check_edge(Case& of, const Edge& edge, std::mt19937_64& generator) {
  CAPTURE(edge.scene, edge.locks, edge.wall);
  // As far beyond as a clearance may be said too large by, before the edge is put and after.
  const double beyond_mm = edge.wall ? 2.0 * kClearanceSlack_mm : 1e-4;
  const Margin margin = edge.wall ? from_wall(of) : from_missing(of);
  const Found worst = worst_bench(of.problem->design, times(edge.times, of.sizes), margin, generator);
  double left_mm = worst.margin;
  // Beside the entry plane, which the body passes by less than is looked at, more than that slack is left.
  for (int step = 0; step < 8 && left_mm >= 0.0; ++step) {
    if (edge.wall)
      thicken(of, left_mm + beyond_mm);
    else
      of.problem->goal.tolerance_mm -= left_mm + beyond_mm;
    left_mm = margin(worst.errors, kInfinity);
  }
  CHECK(left_mm < 0.0);  // just above it can fail
  const Standing standing = Stander(*of.problem, of.sizes, 100).judge(of.plan);
  CAPTURE(worst.margin, standing.reserve, standing.limited_by);
  CHECK(standing.reserve < edge.times);
  CHECK(standing.reserve >= 0.5 * edge.times);
  CHECK(standing.limited_by.find(edge.wall ? "touch the wall" : "miss the target") != std::string::npos);
  const Found within = worst_bench(of.problem->design, times(standing.reserve, of.sizes), margin, generator);
  CHECK(within.margin >= 0.0);  // just under it none does
}

}  // namespace

TEST_CASE("a plan's reserve ends before the first bench that fails, wherever wall and target are put") {
  const auto seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937_64 generator(seed);
  for (const Edge& edge : {Edge{"fold-chamber", 1, true, 0.5}, Edge{"airway", 1, true, 0.5},
                           Edge{"fold-chamber", 1, false, 0.4}, Edge{"straight", 0, false, 0.4}}) {
    Case of(edge.scene, edge.locks);
    {
      const Hardware hardware(of.problem->design);
      of.plan = made_to_stand(StepJudge(*of.problem, hardware), Stander(*of.problem, of.sizes, 1000), of.plan,
                              Effort());
    }
    check_edge(of, edge, generator);
  }
}

TEST_CASE("a plan's reserve ends before the first bench that touches the rim in front of the entry") {
  const auto seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937_64 generator(seed);
  // A lock that engages straight: its hunt swings the tip past the rim, in front of it as planned.
  for (const double x : {0.1, 0.2}) {
    Case of("straight", 1);
    {
      const Hardware hardware(of.problem->design);
      of.plan = made_to_stand(StepJudge(*of.problem, hardware),
                              Stander(*of.problem, in_their_places(of.sizes), 1000), of.plan, Effort());
    }
    REQUIRE(of.plan.actions.front().lock == 0);
    check_edge(of, {"straight", 1, true, x}, generator);
    const Standing standing = Stander(*of.problem, of.sizes, 100).judge(of.plan);
    CHECK(standing.limited_by == "the hunt at lock 1 may touch the wall at the rim of the entry");
  }
}
