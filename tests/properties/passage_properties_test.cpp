// SPDX-License-Identifier: GPL-3.0-or-later
// Where the signed distance jumps: bodies and points on either side of open outlets and of faces of the entry
// opening that reach past the entry plane. Against exact distances (CGAL) of states drawn.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/body_clearance.h"
#include "planner/proof/lemmas/outside_bound.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/segment/shape.h"
#include "tests/support/random_bodies.h"
#include "tests/support/state_range.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr double kRounding_mm = 1e-9;

/// A straight tube whose walls next to the entry, as far as they are within the opening's reach, belong to
/// the entry opening: make_channel names them so.
std::shared_ptr<const Channel> tube_with_low_passages(const TubeShape& shape, int triangles) {
  auto channel = std::make_shared<Channel>(*make_tube(shape, triangles));
  for (std::size_t f = 0; f < channel->role.size(); ++f) {
    const auto& t = channel->mesh_E.triangles[f];
    const bool at_entry = std::all_of(t.begin(), t.end(), [&](int v) {
      return channel->mesh_E.vertices[static_cast<std::size_t>(v)].z() <= kOpeningPlaneTolerance_mm;
    });
    if (at_entry) channel->role[f] = FaceRole::entry_opening;
  }
  return channel;
}

/// Least exact clearance of the stations past the entry plane, and of the shaft, `apart_mm` apart.
double sampled_clearance(const Design& design, const WallDistance& wall, const State& state,
                         const Eigen::Isometry3d& X_EB, double apart_mm) {
  const Shape shape(design, state);
  double least = kInfinity;
  for (double s = std::min(0.0, design.length_mm() - state.insertion_mm); s <= design.length_mm();
       s += apart_mm) {
    const Eigen::Vector3d p = X_EB * shape.point_E(s);
    if (p.z() <= 1e-9) continue;
    least = std::min(least, exact_distance(wall, p) - design.body_radius(s));
  }
  return least;
}

/// A straight tube in which a thin plate of passage stands, across the axis from z to z + thick_mm: what is
/// inside the plate is outside the lumen.
std::shared_ptr<const Channel> tube_with_plate(const TubeShape& shape, int triangles, double z_mm,
                                               double thick_mm) {
  auto channel = std::make_shared<Channel>(*make_tube(shape, triangles));
  const auto first = channel->mesh_E.vertices.size();
  for (int i = 0; i < 8; ++i)
    channel->mesh_E.vertices.emplace_back(i & 1 ? 0.7 : -0.7, i & 2 ? 0.7 : -0.7,
                                          z_mm + (i & 4 ? thick_mm : 0.0));
  constexpr int kFaces[][3] = {{0, 1, 3}, {0, 3, 2}, {4, 7, 5}, {4, 6, 7}, {0, 5, 1}, {0, 4, 5},
                               {1, 7, 3}, {1, 5, 7}, {3, 6, 2}, {3, 7, 6}, {2, 4, 0}, {2, 6, 4}};
  for (const auto& f : kFaces) {
    auto& t = channel->mesh_E.triangles.emplace_back();
    for (std::size_t k = 0; k < 3; ++k)
      t[k] = static_cast<std::remove_reference_t<decltype(t[k])>>(first + static_cast<std::size_t>(f[k]));
    channel->role.push_back(FaceRole::open_outlet);
  }
  return channel;
}

Design thin_design(double length_mm, CarriageKind kind, double tip_rigid_mm, double insertion_max_mm) {
  DesignParts parts;
  parts.segment = {length_mm, 0.2, tip_rigid_mm, 0.05, 500.0};
  parts.carriage = {kind, insertion_max_mm};
  return Design::make(parts).value();
}

}  // namespace

TEST_CASE("a motion that leaves through a face of the entry opening past the plane is not called clear") {
  const TubeShape shape{.length_mm = 12.0, .radius_mm = 3.0, .bend_rad = 0.0};
  const auto wall = std::make_shared<const WallDistance>(tube_with_low_passages(shape, 2400));
  REQUIRE(wall->has_passages());
  CHECK_FALSE(wall->has_open_outlet());
  const auto field = DistanceField::make(wall, 0.1);
  CHECK(field->has_passages());
  const Design design = thin_design(40.0, CarriageKind::free, 2.0, 45.0);
  const std::uint32_t seed = 251;
  INFO("seed " << seed);
  Random random(seed);
  int outside = 0;
  int inside = 0;
  for (const bool with_field : {false, true}) {
    const ChannelDistance distance(wall, with_field ? field : nullptr);
    for (int i = 0; i < 400; ++i) {
      // A straight body that comes in aslant, close to where the wall begins.
      BodyPlacement placement;
      const double slope = random.between(0.05, 0.3);
      placement.X_EB.linear() =
          Eigen::AngleAxisd(-0.5 * M_PI + slope, Eigen::Vector3d::UnitY()).toRotationMatrix();
      State state;
      state.insertion_mm = 40.0;
      const Eigen::Vector3d tip_B = Shape(design, state).tip_E().translation();
      const Eigen::Vector3d tip_E(random.between(0.5, 2.0), random.between(-0.3, 0.3),
                                  random.between(0.1, 0.4));
      placement.X_EB.translation() = tip_E - placement.X_EB.linear() * tip_B;
      const double clearance = MotionVerifier(design, distance, placement).clearance(state).lower_mm;
      const double sampled = sampled_clearance(design, *wall, state, placement.X_EB, 0.01);
      CAPTURE(i, with_field, slope, tip_E.transpose(), clearance, sampled);
      REQUIRE(clearance <= sampled + kRounding_mm);
      ++(sampled < 0.0 ? outside : inside);
    }
  }
  CHECK(outside > 50);
  CHECK(inside > 50);
}

TEST_CASE("a cell is not called blocked past an open outlet where one of its states is clear before it") {
  const Bench bench =
      make_bench({.length_mm = 39.5, .radius_mm = 3.0, .bend_rad = 0.02, .far_end = Outlets::open}, 800);
  const WallDistance& wall = bench.field->exact();
  const std::uint32_t seed = 252;
  INFO("seed " << seed);
  Random random(seed);
  int blocked = 0;
  int past_the_outlet = 0;
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = make_design(1, kind, 1.3);
    const BodyCheck check(design, bench.field, 1.0);
    BodyPoints points = check.make_points();
    for (int i = 0; i < 1500; ++i) {
      // Nearly straight in a nearly straight tube: clear where it is not past the outlet. The field's blocks
      // are 2 mm wide, so the first one that it leaves out begins half a millimetre past the outlet.
      State centre;
      centre.insertion_mm = random.between(36.0, 44.0);
      centre.u_free = random.in_disk(0.002);
      const double dd = random.between(0.0, random.below(2) == 0 ? 2.0 : 12.0);
      const double du = random.below(2) == 0 ? 0.0 : random.between(0.0, 2e-3);
      const MotionBounds bounds =
          motion_bounds(design, testing::range_about(centre, centre.insertion_mm - dd,
                                                     centre.insertion_mm + dd, centre.u_free.norm() + du));
      const BodyCheck::Margins margins = check.evaluate(centre, bounds, dd, du, points, 0.2);
      if (Shape(design, centre).tip_E().translation().z() > 39.5) ++past_the_outlet;
      if (!(margins.blocked.value < 0.2)) continue;
      ++blocked;
      for (int n = 0; n < 6; ++n) {
        State state = centre;
        state.insertion_mm += n == 0 ? -dd : n == 1 ? dd : random.between(-dd, dd);
        state.u_free += random.in_disk(du);
        const double sampled = sampled_clearance(design, wall, state, Eigen::Isometry3d::Identity(), 0.5);
        CAPTURE(i, centre.insertion_mm, centre.u_free.transpose(), dd, du, margins.blocked.value, sampled);
        REQUIRE(sampled < 0.2);
      }
    }
  }
  CHECK(blocked > 100);
  CHECK(past_the_outlet > 100);
}

TEST_CASE(
    "a passage between the last two stations, nearer to the tip, keeps the body from being called clear") {
  const TubeShape shape{.length_mm = 30.0, .radius_mm = 3.0, .bend_rad = 0.0};
  const double plate = 9.0;
  const std::uint32_t seed = 254;
  INFO("seed " << seed);
  Random random(seed);
  const auto wall = std::make_shared<const WallDistance>(tube_with_plate(shape, 400, plate, 0.2));
  REQUIRE(wall->inside({0.0, 0.0, plate - 0.3}));
  REQUIRE_FALSE(wall->inside({0.0, 0.0, plate + 0.1}));
  const auto field = DistanceField::make(wall, 0.25);
  // The rigid tip is one gap of 2 mm between stations.
  const Design design = thin_design(40.0, CarriageKind::free, 2.0, 45.0);
  const BodyCheck check(design, field, 2.0);
  BodyPoints points = check.make_points();
  int near_the_tip_only = 0;
  for (int i = 0; i < 100; ++i) {
    State state;
    state.insertion_mm = plate + 0.2 + random.between(0.05, 1.9);
    const auto margins = check.evaluate(state, points);
    const double clear = check.whole_body(margins, points).value;
    const double sampled = sampled_clearance(design, *wall, state, Eigen::Isometry3d::Identity(), 0.02);
    CAPTURE(i, state.insertion_mm, clear, sampled);
    REQUIRE(sampled < 0.0);
    CHECK(clear <= sampled + kRounding_mm);
    near_the_tip_only += state.insertion_mm - plate - 0.2 < 0.8;
  }
  CHECK(near_the_tip_only > 20);
}

TEST_CASE("what lies outside is bounded from above on both sides of a passage, rounding included") {
  const Bench bench =
      make_bench({.length_mm = 20.0, .radius_mm = 4.0, .bend_rad = 0.0, .far_end = Outlets::open}, 600);
  const WallDistance& wall = bench.field->exact();
  OutsideBound bound(bench.field);
  const std::uint32_t seed = 253;
  INFO("seed " << seed);
  Random random(seed);
  int across = 0;
  for (int i = 0; i < 4000; ++i) {
    // Asked at the middle of a cube, where the bound has no allowance to hide rounding in.
    const Eigen::Vector3d p =
        Eigen::Vector3d(std::floor(random.between(-6.0, 6.0)), std::floor(random.between(-6.0, 6.0)),
                        std::floor(random.between(1.0, 30.0))) +
        Eigen::Vector3d::Constant(0.5);
    const double reach = random.between(0.0, std::min(12.0, p.z()));
    const double upper = bound.upper_over({p, reach}).value - reach;
    CAPTURE(i, p.transpose(), reach, upper);
    REQUIRE(upper >= wall.signed_distance(p));
    if (wall.passage_distance(p) <= reach) {
      ++across;
      REQUIRE(upper >= wall.distance(p));
    }
    for (int n = 0; n < 8; ++n) {
      const Eigen::Vector3d y = p + reach * random.between(0.0, 1.0) * random.direction();
      if (y.z() <= 1e-3) continue;
      REQUIRE(upper >= wall.signed_distance(y) - (y - p).norm() - kRounding_mm);
    }
  }
  CHECK(across > 200);
}

TEST_CASE("an arc that rises past the entry plane between two stations behind it counts") {
  const Bench bench = make_bench({.length_mm = 30.0, .radius_mm = 4.0, .bend_rad = 0.0}, 800);
  const Design design = thin_design(60.0, CarriageKind::free, 2.5, 75.0);
  const BodyCheck check(design, bench.field, 2.0);
  BodyPoints points = check.make_points();
  const std::uint32_t seed = 254;
  INFO("seed " << seed);
  Random random(seed);
  int risen = 0;
  for (int i = 0; i < 2000; ++i) {
    // Half a turn outside the channel: its top, a quarter turn from the base, a little past the plane.
    const double kappa = random.between(0.035, 0.05);
    State state;
    const double angle = random.between(0.0, 2.0 * M_PI);
    state.u_free = kappa * Eigen::Vector2d(std::cos(angle), std::sin(angle));
    state.insertion_mm = design.length_mm() - 1.0 / kappa + random.between(-0.01, 0.02);
    const BodyCheck::Margins margins = check.evaluate(state, points);
    const double whole = check.whole_body(margins, points).value;
    const double sampled =
        sampled_clearance(design, bench.field->exact(), state, Eigen::Isometry3d::Identity(), 0.01);
    CAPTURE(i, kappa, state.insertion_mm, margins.least.value, whole, sampled);
    if (sampled == kInfinity) continue;
    REQUIRE(whole <= sampled);
    if (margins.least.value == kInfinity) ++risen;
  }
  CHECK(risen > 50);
}

TEST_CASE("where the shaft is nearest to the wall the body between its stations counts all the same") {
  // Three waists: where the base stands just before one, the next station past it, the body is nearest to the
  // wall between the two.
  // A fine field: on the tube's axis a coarse one loses more than what is looked for.
  const TubeShape shape{.length_mm = 30.0, .radius_mm = 2.2, .bend_rad = 0.0, .waist_mm = 0.6};
  const auto wall = std::make_shared<const WallDistance>(make_tube(shape, 6000));
  const auto field = DistanceField::make(wall, 0.05);
  const Design design = thin_design(16.0, CarriageKind::guide, 1.0, 29.0);
  const BodyCheck check(design, field, 3.0);
  BodyPoints points = check.make_points();
  int shaft_worst = 0;
  for (double insertion = 16.5; insertion < 29.0; insertion += 0.1) {
    State state;
    state.insertion_mm = insertion;
    const BodyCheck::Margins margins = check.evaluate(state, points);
    if (margins.worst != BodyCheck::kShaft) continue;
    ++shaft_worst;
    const double whole = check.whole_body(margins, points).value;
    const double sampled = sampled_clearance(design, *wall, state, Eigen::Isometry3d::Identity(), 0.02);
    CAPTURE(insertion, margins.least.value, whole, sampled);
    REQUIRE(whole <= sampled);
  }
  CHECK(shaft_worst > 20);
}

TEST_CASE("a cell's allowances are not rounded below what the motion bounds say") {
  const Bench bench = make_bench({.length_mm = 70.0, .radius_mm = 5.0, .bend_rad = 0.5}, 500);
  const std::uint32_t seed = 256;
  INFO("seed " << seed);
  Random random(seed);
  for (int i = 0; i < 2000; ++i) {
    const Design design = make_design(random.below(3), CarriageKind::guide, 1.5);
    const BodyCheck check(design, bench.field, 2.0);
    BodyPoints points = check.make_points();
    const State centre = following_state(design, bench.shape, random);
    const double dd = std::exp2(-random.between(-3.0, 12.0));
    const double du = std::exp2(-random.between(5.0, 20.0));
    const MotionBounds bounds =
        motion_bounds(design, testing::range_about(centre, std::max(0.0, centre.insertion_mm - dd),
                                                   centre.insertion_mm + dd, centre.u_free.norm() + du));
    check.evaluate(centre, bounds, dd, du, points);
    const BodySampler& sampler = check.sampler();
    for (int j = 0; j < sampler.count(); ++j) {
      const double s = sampler.station_mm(j);
      const double moved = bounds.insertion_lever(s) * dd + bounds.curvature_lever_mm2(s) * du;
      const double error = sampler.point_error_mm() + static_cast<double>(bench.field->view().rounding);
      CAPTURE(i, j, s, dd, du);
      REQUIRE(static_cast<double>(points.slack[static_cast<std::size_t>(j)]) >= moved + error);
    }
  }
}
