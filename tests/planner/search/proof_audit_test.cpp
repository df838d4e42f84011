// SPDX-License-Identifier: GPL-3.0-or-later
// An outsider's try to break a proof: states that reach the target by sampled motions lie in the cells that
// the proof lists, and the start does not.
//
// A tube along an arc from the entry plane on. A body on the free carriage that is bent like the arc and
// wholly in lies along the tube's middle: at the target, with room. Drawn back it keeps its shape, slides
// sideways into the wall and never comes out: an island of allowed states round the target. Bodies are placed
// by Shape and held to the exact wall distance (CGAL) at stations 1 mm apart, with nothing of the cells'
// bounds.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/search/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

constexpr double kBend = 0.02;
constexpr double kTubeRadius = 3.0;

struct Cell {
  double ux[2], uy[2], d[2];
  bool holds(const State& s) const {
    return s.u_free.x() >= ux[0] && s.u_free.x() <= ux[1] && s.u_free.y() >= uy[0] && s.u_free.y() <= uy[1] &&
           s.insertion_mm >= d[0] && s.insertion_mm <= d[1];
  }
};

std::vector<Cell> cells_of(const RouteSearch& search) {
  std::stringstream proof;
  search.write_reached_cells(proof);
  std::vector<Cell> cells;
  for (std::string line; std::getline(proof, line);) {
    Cell c{};
    const int read = std::sscanf(line.c_str(),
                                 R"({"engaged":[],"theta_rad":[],"curvature_low_per_mm":[%lf,%lf],)"
                                 R"("curvature_high_per_mm":[%lf,%lf],"insertion_mm":[%lf,%lf])",
                                 &c.ux[0], &c.uy[0], &c.ux[1], &c.uy[1], &c.d[0], &c.d[1]);
    CAPTURE(line);
    REQUIRE(read == 6);
    cells.push_back(c);
  }
  return cells;
}

bool allowed(const SearchProblem& asked, const State& state) {
  if (!within_limits(asked.design, state)) return false;
  const Shape shape(asked.design, state);
  for (double s = kLength; s >= 0.0; s -= 1.0) {
    const Eigen::Vector3d p = shape.point_E(s);
    if (p.z() > 0.0 && asked.distance->exact().signed_distance(p) < kRadius + kRequired) return false;
  }
  return true;
}

}  // namespace

TEST_CASE("No state that reaches the target by sampled motions lies outside the cells of a proof") {
  const Tube channel = tube({{80.0, Eigen::Vector2d(kBend, 0.0)}}, {{0.0, kTubeRadius}});
  SegmentMakeup makeup;
  makeup.tip_rigid = 0.0;
  const double turn = kBend * kLength;
  const SearchProblem asked =
      question(segment(makeup), channel, {(1.0 - std::cos(turn)) / kBend, 0.0, std::sin(turn) / kBend});
  RouteSearchSettings settings;
  settings.most_work = 20000000;
  RouteSearch search(asked, settings);
  REQUIRE(search.run() == SearchOutcome::proved_none);
  const std::vector<Cell> cells = cells_of(search);
  const auto listed = [&](const State& state) {
    return std::any_of(cells.begin(), cells.end(), [&](const Cell& cell) { return cell.holds(state); });
  };
  CHECK_FALSE(listed(start_state()));

  State at_target;
  at_target.insertion_mm = kLength;
  at_target.u_free = {kBend, 0.0};
  REQUIRE(asked.goal.holds(Shape(asked.design, at_target).tip_E()));
  REQUIRE(allowed(asked, at_target));
  REQUIRE(listed(at_target));

  const unsigned seed = 2511;
  CAPTURE(seed, cells.size());
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  State at = at_target;
  double farthest_mm = 0.0;
  int walked = 0;
  for (int step = 0; step < 1500; ++step) {
    State to = at;
    to.insertion_mm += 0.4 * uniform(random);
    to.u_free += 8e-4 * Eigen::Vector2d(uniform(random), uniform(random));
    bool goes = true;
    for (const double t : {0.25, 0.5, 0.75, 1.0}) goes = goes && allowed(asked, interpolate(at, to, t));
    if (!goes) continue;
    at = to;
    ++walked;
    farthest_mm = std::max(farthest_mm, std::abs(at.insertion_mm - kLength));
    CAPTURE(step, at.insertion_mm, at.u_free.transpose());
    REQUIRE(listed(at));
  }
  CHECK(walked > 300);
  CHECK(farthest_mm > 1.0);  // the walk got about
}
