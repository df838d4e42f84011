// SPDX-License-Identifier: GPL-3.0-or-later
// The vectorised body against planner/segment/shape.h, and its margins against exact distances (CGAL) of
// states drawn from the cell.
#include <algorithm>
#include <cmath>
#include <memory>
#include <optional>
#include <vector>

#include <catch2/catch.hpp>

#include "geometry/distance/lanes.h"
#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/body_clearance.h"
#include "planner/segment/shape.h"
#include "tests/support/random_bodies.h"
#include "tests/support/state_range.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCases = 10000;

void hold_points(int locks, CarriageKind kind, const BodyLoops& loops, std::uint32_t seed) {
  INFO("seed " << seed);
  const Design design = make_design(locks, kind, 1.5);
  const BodySampler sampler(design, 1.3, loops);
  BodyPoints points = sampler.make_points();
  Random random(seed);
  double worst = 0.0;
  for (int i = 0; i < kCases; ++i) {
    const State state = random_state(design, random);
    sampler.place(state, points);
    const Shape shape(design, state);
    for (int j = 0; j < sampler.count(); j += 1 + random.below(5)) {
      const auto k = static_cast<std::size_t>(j);
      const Eigen::Vector3d found(points.x[k], points.y[k], points.z[k]);
      worst = std::max(worst, (found - shape.point_E(sampler.station_mm(j))).norm());
    }
    CAPTURE(i, state.insertion_mm, state.u_free.transpose());
    REQUIRE(worst <= sampler.point_error_mm());
  }
  // A bound that is never come near to would be no bound worth stating.
  CHECK(worst > 0.01 * sampler.point_error_mm());
}

std::vector<const BodyLoops*> builds() {
  std::vector<const BodyLoops*> all = {&kBodyLoopsPortable};
#if defined(__x86_64__)
  if (cpu_has_avx2()) all.push_back(&kBodyLoopsAvx2);
#endif
  return all;
}

/// A state of the cell about `centre`.
State from_cell(const Design& design, const State& centre, double dd, double du, Random& random) {
  State state = centre;
  state.insertion_mm =
      std::clamp(centre.insertion_mm + random.between(-dd, dd), 0.0, design.carriage().insertion_max_mm);
  state.u_free += random.in_disk(du);
  return state;
}

/// Least exact margin over stations (and the shaft) of one state; +infinity when nothing is past the entry
/// plane.
double exact_margin(const BodySampler& sampler, const WallDistance& wall, const State& state) {
  double least = kInfinity;
  const std::vector<Eigen::Vector3d> points = sampler.reference_points(state);
  for (std::size_t j = 0; j < points.size(); ++j) {
    if (points[j].z() <= 0.0) continue;
    least = std::min(least, exact_distance(wall, points[j]) - static_cast<double>(sampler.radii_mm()[j]));
  }
  const double depth = state.insertion_mm - sampler.design().length_mm();
  for (double z = depth; z > 0.0; z -= 3.0)
    least = std::min(least, exact_distance(wall, {0.0, 0.0, z}) - sampler.design().segment().radius_mm);
  return least;
}

struct Tally {
  int free = 0;
  int blocked = 0;
  int open = 0;
};

Tally hold_cells(const Bench& bench, int locks, CarriageKind kind, std::uint32_t seed) {
  INFO("seed " << seed);
  const Design design = make_design(locks, kind, 1.5);
  const BodyCheck check(design, bench.field, 3.0);
  BodyPoints points = check.make_points();
  const WallDistance& wall = bench.field->exact();
  Random random(seed);
  Tally tally;
  for (int i = 0; i < kCases; ++i) {
    const State centre = following_state(design, bench.shape, random);
    const double dd = random.below(3) == 0 ? 0.0 : random.between(0.0, 0.5);
    const double du = random.below(3) == 0 ? 0.0 : random.between(0.0, 5e-4);
    const MotionBounds bounds = motion_bounds(
        design, testing::range_about(centre, std::max(0.0, centre.insertion_mm - dd),
                                     std::min(design.carriage().insertion_max_mm, centre.insertion_mm + dd),
                                     centre.u_free.norm() + du));
    const BodyCheck::Margins margins = check.evaluate(centre, bounds, dd, du, points);
    const State state = from_cell(design, centre, dd, du, random);
    const double exact = exact_margin(check.sampler(), wall, state);
    CAPTURE(i, centre.insertion_mm, centre.u_free.transpose(), dd, du, margins.least.value,
            margins.blocked.value, exact);
    REQUIRE(margins.least.value <= exact);
    REQUIRE(margins.blocked.value >= exact);
    if (margins.least.value >= 0.0)
      ++tally.free;
    else if (margins.blocked.value < 0.0)
      ++tally.blocked;
    else
      ++tally.open;
  }
  return tally;
}

}  // namespace

TEST_CASE("a station is as thick as the stretches that meet there, and as no other") {
  constexpr std::uint32_t kSeed = 590;
  INFO("seed " << kSeed);
  Random random(kSeed);
  int parted_by_one = 0;  // stretches with no station of their own, beside a lock
  for (int i = 0; i < 400; ++i) {
    DesignParts parts = make_design(2, CarriageKind::guide, 1.5).parts();
    const double half = 0.5 * parts.lock->body_length_mm;
    const double gap = random.between(0.01, 3.0);
    const double length = parts.segment.length_mm;
    // The second lock as far from the rigid tip as from the first.
    parts.segment.tip_rigid_mm = random.between(0.5, 5.0);
    const double second = length - parts.segment.tip_rigid_mm - gap - half;
    parts.layout.station_mm = {second - 2.0 * half - gap, second};
    const auto design = Design::make(parts);
    REQUIRE(design);
    const double spacing = random.between(0.3, 4.0);
    parted_by_one += gap <= spacing;
    const BodySampler sampler(*design, spacing);
    for (int j = 0; j < sampler.count(); ++j) {
      const double s = sampler.station_mm(j);
      const double before = design->body_radius(std::max(0.0, s - 1e-6));
      const double after = design->body_radius(std::min(length, s + 1e-6));
      CAPTURE(i, j, s, gap, spacing);
      REQUIRE(sampler.radii_mm()[static_cast<std::size_t>(j)] == static_cast<float>(std::max(before, after)));
    }
  }
  CHECK(parted_by_one > 50);
}

TEST_CASE("Fast body points are Shape's within the stated error: free carriage") {
  for (const BodyLoops* loops : builds()) {
    hold_points(0, CarriageKind::free, *loops, 201);
    hold_points(3, CarriageKind::free, *loops, 202);
  }
}

TEST_CASE("Fast body points are Shape's within the stated error: guide") {
  for (const BodyLoops* loops : builds()) {
    hold_points(0, CarriageKind::guide, *loops, 203);
    hold_points(3, CarriageKind::guide, *loops, 204);
  }
}

TEST_CASE("Body points of a segment that winds through many turns are Shape's as well") {
  DesignParts parts;
  parts.segment = {200.0, 1.0, 0.0, 0.2, 500.0};
  parts.carriage = {CarriageKind::free, 10.0};
  const auto design = Design::make(parts);
  REQUIRE(design.has_value());
  const BodySampler sampler(*design, 2.0);
  BodyPoints points = sampler.make_points();
  State state;
  state.insertion_mm = 5.0;
  for (const double kappa : {0.2, 0.15, 0.3}) {  // the last one is past the limit: the slow path
    state.u_free = {kappa, 0.0};
    sampler.place(state, points);
    const std::vector<Eigen::Vector3d> reference = sampler.reference_points(state);
    for (std::size_t j = 0; j < reference.size(); ++j) {
      CAPTURE(kappa, j);
      REQUIRE((reference[j] - Eigen::Vector3d(points.x[j], points.y[j], points.z[j])).norm() <=
              sampler.point_error_mm());
    }
  }
}

TEST_CASE("Stations carry the thicker of two stretches, and none is farther from the next than asked") {
  const Design design = make_design(2, CarriageKind::free, 1.5);
  const BodySampler sampler(design, 0.7);
  CHECK(sampler.largest_gap_mm() <= 0.7);
  CHECK(sampler.least_radius_mm() == 1.2);
  for (int j = 0; j < sampler.count(); ++j) {
    const double s = sampler.station_mm(j);
    const auto radius = static_cast<double>(sampler.radii_mm()[static_cast<std::size_t>(j)]);
    CHECK(radius >= static_cast<double>(static_cast<float>(design.body_radius(s))));
    if (j > 0) CHECK(s - sampler.station_mm(j - 1) <= 0.7 + 1e-9);
  }
  for (const RigidSpan& span : design.rigid_spans())
    for (const double s : {span.from_mm, span.to_mm}) {
      double nearest = kInfinity;
      for (int j = 0; j < sampler.count(); ++j)
        nearest = std::min(nearest, std::abs(sampler.station_mm(j) - s));
      CHECK(nearest < 1e-9);
    }
}

TEST_CASE("Margins of a cell bound every state's exact ones: free carriage, smooth tube") {
  const Bench bench = make_bench({.length_mm = 70.0, .radius_mm = 5.0, .bend_rad = 1.0}, 1500);
  const Tally tally = hold_cells(bench, 2, CarriageKind::free, 211);
  CHECK(tally.free > kCases / 50);
  CHECK(tally.blocked > kCases / 50);
}

TEST_CASE("Margins of a cell bound every state's exact ones: guide, rough tube") {
  const Bench bench =
      make_bench({.length_mm = 70.0, .radius_mm = 4.0, .bend_rad = 0.8, .roughness_mm = 0.2}, 2500);
  const Tally tally = hold_cells(bench, 1, CarriageKind::guide, 212);
  CHECK(tally.free > kCases / 50);
  CHECK(tally.blocked > kCases / 50);
}

TEST_CASE("Margins of a cell bound every state's exact ones where the far end is open") {
  const Bench bench =
      make_bench({.length_mm = 45.0, .radius_mm = 5.0, .bend_rad = 0.3, .far_end = Outlets::open}, 1000);
  const Tally tally = hold_cells(bench, 0, CarriageKind::guide, 213);
  CHECK(tally.free > kCases / 50);
}

TEST_CASE("The whole body's bound is below the exact clearance of any of its points") {
  const Bench bench =
      make_bench({.length_mm = 70.0, .radius_mm = 4.5, .bend_rad = 0.8, .roughness_mm = 0.1}, 2500);
  const WallDistance& wall = bench.field->exact();
  const std::uint32_t seed = 221;
  INFO("seed " << seed);
  Random random(seed);
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = make_design(1, kind, 1.5);
    const BodyCheck check(design, bench.field, 1.5);
    BodyPoints points = check.make_points();
    int bounded = 0;
    for (int i = 0; i < kCases; ++i) {
      const State state = following_state(design, bench.shape, random);
      const BodyCheck::Margins margins = check.evaluate(state, points);
      const double whole = check.whole_body(margins, points).value;
      REQUIRE(whole <= margins.least.value);
      if (whole == -kInfinity || whole == kInfinity) continue;
      ++bounded;
      const Shape shape(design, state);
      for (int k = 0; k < 12; ++k) {
        const double s = random.between(design.length_mm() - state.insertion_mm - 5.0, design.length_mm());
        const Eigen::Vector3d p = shape.point_E(s);
        if (p.z() <= 0.0) continue;
        const double clearance = exact_distance(wall, p) - design.body_radius(s);
        CAPTURE(i, s, p.transpose(), whole, clearance, state.insertion_mm, state.u_free.transpose());
        REQUIRE(whole <= clearance);
      }
    }
    CHECK(bounded > kCases / 20);
  }
}

TEST_CASE("At the entry plane the whole body's bound holds between a station behind it and one past it") {
  // A narrow mouth, met at a slant: what is past the plane comes nearest to the rim between two stations.
  const Bench bench = make_bench({.length_mm = 40.0, .radius_mm = 3.0, .bend_rad = 0.0}, 3000);
  const WallDistance& wall = bench.field->exact();
  const Design design = make_design(1, CarriageKind::free, 1.2);
  const BodyCheck check(design, bench.field, 2.0);
  BodyPoints points = check.make_points();
  const std::uint32_t seed = 222;
  INFO("seed " << seed);
  Random random(seed);
  int bounded = 0;
  int slanted = 0;
  for (int i = 0; i < kCases; ++i) {
    State state;
    state.insertion_mm = random.between(1.0, 6.0);
    // An S outside the channel, so that the body meets the mouth near the axis and at a slant.
    const Eigen::Vector2d u = random.in_disk(0.02);
    state.engaged.set(0);
    state.theta_frozen = {design.flexible_length(0.0, design.station_mm(0)) * u};
    state.u_free = -u * random.between(2.5, 3.5);
    if (state.u_free.norm() > kCurvatureMax_per_mm) continue;
    const BodyCheck::Margins margins = check.evaluate(state, points);
    const double whole = check.whole_body(margins, points).value;
    if (!std::isfinite(whole)) continue;
    ++bounded;
    const Shape shape(design, state);
    for (int k = 0; k < 40; ++k) {
      const double s = design.length_mm() - state.insertion_mm + random.between(-1.0, 3.0);
      if (s > design.length_mm()) continue;
      const Eigen::Vector3d p = shape.point_E(s);
      if (p.z() <= 0.0) continue;
      const double clearance = exact_distance(wall, p) - design.body_radius(s);
      CAPTURE(i, s, p.transpose(), whole, clearance);
      REQUIRE(whole <= clearance);
    }
    const Eigen::Vector3d tangent = shape.tangent_E(design.length_mm() - state.insertion_mm);
    if (tangent.z() < 0.97) ++slanted;
  }
  CHECK(bounded > kCases / 100);
  CHECK(slanted > 20);
}

TEST_CASE("With allowances of the caller's own the margins are lower by the allowance at the worst station") {
  const Bench bench = make_bench({.length_mm = 70.0, .radius_mm = 5.0, .bend_rad = 0.0}, 1500);
  const Design design = make_design(0, CarriageKind::free, 1.5);
  const BodyCheck check(design, bench.field, 1.0);
  BodyPoints points = check.make_points();
  State state;
  state.insertion_mm = 40.0;
  const double plain = check.evaluate(state, points).least.value;
  std::fill(points.slack.begin(), points.slack.end(), 0.25F);
  const BodyCheck::Margins allowed = check.evaluate_with_slack(state, 0.0, points);
  CHECK_THAT(allowed.least.value, Catch::Matchers::WithinAbs(plain - 0.25, 2e-3));
}
