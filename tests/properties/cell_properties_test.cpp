// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of whole cells of states against states drawn from them, with exact distances (CGAL).
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/cell_slide.h"
#include "planner/search/cells/cell_probe.h"
#include "planner/segment/shape.h"
#include "tests/support/random_bodies.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCells = 1000;
constexpr int kStates = 24;
constexpr double kRequired_mm = 0.2;
constexpr double kStation_mm = 0.4;
constexpr double kRounding_mm = 1e-9;

/// Draws from the box, its corners and faces often.
State draw(const BendChart& chart, const Leaf& leaf, const Box& box, Random& random) {
  std::array<double, kMaxDimensions> x{};
  for (int k = 0; k < box.dimensions; ++k) {
    const std::array<double, 3> choices = {box.low[Box::idx(k)], box.high[Box::idx(k)],
                                           random.between(box.low[Box::idx(k)], box.high[Box::idx(k)])};
    x[Box::idx(k)] = choices[static_cast<std::size_t>(random.below(3))];
  }
  return state_at(chart, leaf, x.data());
}

/// Curvatures and insertion as the model has them (section 1 and 2).
bool allowed(const Design& design, const State& state) {
  const auto regions = regions_of(design, state);
  const double limit = design.segment().curvature_max_per_mm * (1.0 + 1e-12);
  return state.insertion_mm >= 0.0 && state.insertion_mm <= design.carriage().insertion_max_mm &&
         std::all_of(regions.begin(), regions.end(),
                     [&](const Region& r) { return r.u.allFinite() && r.u.norm() <= limit; });
}

/// Has every frozen bend some length to be in?
bool placeable(const Design& design, const State& state) {
  const auto regions = regions_of(design, state);
  return std::all_of(regions.begin(), regions.end(), [](const Region& r) { return r.u.allFinite(); });
}

/// Least clearance over stations of the body and its shaft.
double sampled_clearance(const Design& design, const WallDistance& wall, const State& state) {
  const Shape shape(design, state);
  double least = kInfinity;
  const auto ask = [&](const Eigen::Vector3d& p, double radius) {
    if (p.z() > 1e-12) least = std::min(least, exact_distance(wall, p) - radius);
  };
  std::vector<double> stations;
  for (double s = 0.0; s < design.length_mm(); s += kStation_mm) stations.push_back(s);
  stations.push_back(design.length_mm());
  for (const RigidSpan& span : design.rigid_spans())
    for (const double s : {span.from_mm + 1e-9, span.to_mm - 1e-9}) stations.push_back(s);
  for (const double s : stations) ask(shape.point_E(s), design.body_radius(s));
  for (double z = kStation_mm; z < state.insertion_mm - design.length_mm(); z += kStation_mm)
    ask({0.0, 0.0, z}, design.segment().radius_mm);
  return least;
}

/// A box of any shape about the state: long in insertion and narrow in bend, the other way round, or neither.
Box box_about(const Design& design, const BendChart& chart, const Leaf& leaf, const State& state,
              Random& random) {
  Box box = whole_leaf(design, chart, leaf);
  const auto at = coordinates_of(chart, state);
  for (int k = 0; k < box.dimensions; ++k) {
    const auto i = Box::idx(k);
    const double width = (box.high[i] - box.low[i]) * std::exp2(-random.between(k == 0 ? 1.0 : 2.0, 11.0));
    const double low = at[i] - width * random.between(0.0, 1.0);
    box.low[i] = std::clamp(low, box.low[i], box.high[i]);
    box.high[i] = std::clamp(low + width, box.low[i], box.high[i]);
  }
  return box;
}

struct Tally {
  int free = 0;
  int free_by_sliding = 0;
  int blocked = 0;
  int blocked_by_sliding = 0;
  int states = 0;
};

void count(const CellLook& look, Tally& tally) {
  if (look.status == CellStatus::free) {
    ++tally.free;
    tally.free_by_sliding += look.slides ? 1 : 0;
  } else if (look.status == CellStatus::blocked) {
    ++tally.blocked;
    tally.blocked_by_sliding += look.slides ? 1 : 0;
  }
}

/// A design with locks, notched or by friction: both kinds of leaf.
Design with_latch(const Design& design, double pitch_mm) {
  DesignParts parts = design.parts();
  parts.latch =
      LatchHardware{pitch_mm, 1.2, {0.25 * M_PI, 0.75 * M_PI, 1.25 * M_PI, 1.75 * M_PI}, 0.02, 0.02};
  auto made = Design::make(std::move(parts));
  REQUIRE(made);
  return *made;
}

}  // namespace

TEST_CASE("A body that advances along itself moves aside by no more than is said") {
  Random random(71);
  double least_slack = kInfinity;
  int compared = 0;
  int past_the_limit = 0;
  for (int i = 0; i < 4000; ++i) {
    const CarriageKind kind = random.below(2) == 0 ? CarriageKind::free : CarriageKind::guide;
    const Design design = with_latch(make_design(random.below(4), kind, random.below(2) == 0 ? 1.2 : 1.6),
                                     random.below(2) == 0 ? 0.3 : 0.0);
    const BendChart chart(design, false);
    const State about = random_state(design, random);
    const Leaf leaf = leaf_of(chart, about);
    const Box box = box_about(design, chart, leaf, about, random);
    const auto slide = CellSlide::of(design, chart, leaf, AllowedBox::of(design, chart, leaf, box));
    if (!slide) continue;
    std::vector<double> stations;
    for (double s = 0.0; s <= design.length_mm(); s += 3.0) stations.push_back(s);
    std::vector<double> deepest;
    std::vector<double> shallowest;
    slide->about_deepest(stations, deepest);
    slide->about_shallowest(stations, shallowest);
    for (int n = 0; n < 6; ++n) {
      const State state = draw(chart, leaf, box, random);
      if (!allowed(design, state)) continue;
      State at = state;
      const auto compare = [&](double insertion, double sign, const std::vector<double>& aside) {
        at.insertion_mm = insertion;
        // The body at the cell's end need not be within the limits itself, as long as it has a place.
        if (!placeable(design, at)) return;
        past_the_limit += allowed(design, at) ? 0 : 1;
        const Shape there(design, at);
        const Shape here(design, state);
        for (std::size_t j = 0; j < stations.size(); ++j) {
          const double s = stations[j] + sign * std::abs(insertion - state.insertion_mm);
          if (s < 0.0 || s > design.length_mm()) continue;
          const Eigen::Vector3d p = here.point_E(s);
          if (p.z() <= 0.0) continue;  // inside the guide, or in front of the channel
          ++compared;
          const double off = (p - there.point_E(stations[j])).norm();
          least_slack = std::min(least_slack, aside[j] - off);
        }
      };
      compare(box.high[0], 1.0, deepest);
      compare(box.low[0], -1.0, shallowest);
    }
  }
  CHECK(least_slack >= -kRounding_mm);
  CHECK(compared > 50000);
  CHECK(past_the_limit > 50);
}

TEST_CASE("What is said of a cell holds for the states in it") {
  Random random(72);
  Tally tally;
  const TubeShape smooth{.length_mm = 70.0, .radius_mm = 3.0, .bend_rad = 0.9};
  const TubeShape rough{
      .length_mm = 70.0, .radius_mm = 3.5, .bend_rad = 0.6, .waist_mm = 0.8, .roughness_mm = 0.2};
  for (const TubeShape& shape : {smooth, rough}) {
    const Bench bench = make_bench(shape, 1500);
    const auto distance = std::make_shared<const ChannelDistance>(bench.field->exact_pointer(), bench.field);
    for (int i = 0; i < kCells; ++i) {
      const CarriageKind kind = random.below(2) == 0 ? CarriageKind::free : CarriageKind::guide;
      const Design design = with_latch(make_design(random.below(3), kind, random.below(2) == 0 ? 1.2 : 1.6),
                                       random.below(3) == 0 ? 0.0 : 0.3);
      const SearchProblem problem{design, distance, {}, kRequired_mm, {}};
      const BendChart chart(problem.design, true);
      CellProbe probe(problem, chart);
      const State about = following_state(problem.design, shape, random);
      const Leaf leaf = leaf_of(chart, about);
      const Box box = box_about(problem.design, chart, leaf, about, random);
      const CellLook look = probe.check(leaf, box);
      count(look, tally);
      if (look.status == CellStatus::mixed) continue;
      for (int n = 0; n < kStates; ++n) {
        const State state = draw(chart, leaf, box, random);
        const bool legal = allowed(problem.design, state);
        CAPTURE(i, n, state.insertion_mm, look.slides);
        if (look.status == CellStatus::free) {
          REQUIRE(legal);
          REQUIRE(sampled_clearance(problem.design, distance->exact(), state) >= kRequired_mm - kRounding_mm);
        } else if (legal) {
          REQUIRE(sampled_clearance(problem.design, distance->exact(), state) < kRequired_mm + 0.02);
        }
        ++tally.states;
      }
    }
  }
  CHECK(tally.free > 100);
  CHECK(tally.free_by_sliding > 30);
  CHECK(tally.blocked > 100);
  CHECK(tally.blocked_by_sliding > 30);
}
